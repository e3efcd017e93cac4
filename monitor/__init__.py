"""Warmstraw: watches the warmth and the air of small poultry pens, runs the fan, wakes the keeper."""

__version__ = "0.1.0"
