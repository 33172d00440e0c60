"""All metal that is not casting: planned, built, traced."""
