"""Feeders and chills: seats, sizes, and what to change where a pool is left."""
