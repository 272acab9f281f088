"""Benchmarks: accuracy against known truth, and speed. Not shipped with the package."""
