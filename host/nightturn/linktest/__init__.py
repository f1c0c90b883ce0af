"""The link test: a device asked everything it says about itself, and its line proven with the test pattern."""
