"""What leaves the desk: meshes, plates, reports, lessons, spotters and films, made from accounts."""
