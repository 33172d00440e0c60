"""Pieces into the printer's job boxes."""
