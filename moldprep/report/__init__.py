"""Results and Review as a page with pictures."""
