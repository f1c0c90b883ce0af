"""The store: the tape that nothing is lost from, the Parquet files that everybody reads, and what ties them."""
