"""What leaves the desk, made from accounts for others to use and check: meshes, plates, lessons, matrices, deposits."""
