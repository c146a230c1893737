"""Spot estimators in whole numbers: integer pixels in, words of positions and status out.

Each is one file with a record of whole numbers (`...Words`), a function that works it out from the
settings (`..._words`), and one that reads frames with it and nothing else (`read_...`). The last
one's docstring lists the arithmetic step by step; firmware that takes these steps gets the same
bits.
"""
