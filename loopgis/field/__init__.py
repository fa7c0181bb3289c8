"""What comes back from the field: logs of rods and records, merged without loss, and the bores that were really drilled."""
