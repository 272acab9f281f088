"""Specimens side by side: counterparts, one pose and scale, differences, growth series, shape."""
