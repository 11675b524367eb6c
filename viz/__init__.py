"""Drawings: data in, SVG text out. No Django, no clock, no files.

Positions along time are per cent, so a drawing fills any width without its letters growing or shrinking; heights
are pixels. Colours are classes of the stylesheet. Every chart comes with the rows of its table.
"""
