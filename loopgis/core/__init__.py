"""Errors, units, the local frame and findings. No files, no GIS."""
