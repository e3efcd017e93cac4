"""Mill Rise, an invented barn: a physical model that stands in for sensors, fan and weather.

Everything in this folder is for trying the product out and for testing it. No number here is a
measurement of a real barn; README.md in this folder lists the equations and their sources.
"""
