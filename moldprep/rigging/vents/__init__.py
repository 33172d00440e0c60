"""Vents: where air is caught, and the way out."""
