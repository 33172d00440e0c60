"""Shapes of the trade as solids: cylinder between points, swept channel, dome."""
