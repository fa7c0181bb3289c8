"""Reference figures, a source on every row."""
