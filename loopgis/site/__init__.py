"""Reading a site into plain values in one local frame."""
