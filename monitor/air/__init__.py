"""Physics of the pen's air: one subject a file, plain floats in SI, the unit last in every name.

Nothing here knows pens, sensors or settings. A function refuses (`ranges.OutOfRange`) rather than
answer outside the range its source covers.
"""
