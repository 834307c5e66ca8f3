"""From measured resistances back to what may be wrong on a circuit."""
