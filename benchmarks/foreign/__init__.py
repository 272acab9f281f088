"""Invented skull scans with known truth, made by other means than ``ossicle.practice``.

The reading must be tuned to anatomy and physics, not to one generator. This one builds skulls from lofted
cross sections, swept tubes, extruded outlines and metaballs; teeth from superelliptic footprints with
height-field crowns; bone texture from random fields. It shares no code with the practice specimens.
"""
