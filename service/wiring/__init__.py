"""Composition: the only package that chooses what stands behind a port."""
