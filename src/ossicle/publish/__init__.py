"""What leaves the desk: meshes, plates, reports, lessons, matrices, tables and deposits, made from accounts."""
