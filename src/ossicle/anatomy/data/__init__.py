"""Anatomical facts as data: every row names its source and how well it is known."""
