"""Samples from job file to proved package."""
