"""Figures again from raw samples and manifest alone, run by run, on any executor; results beside the originals."""
