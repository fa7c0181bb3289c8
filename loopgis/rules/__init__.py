"""Rule files, the zones they make of features, and the independent audit."""
