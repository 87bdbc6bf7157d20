"""The demonstration: an invented scenario played through the real API on this machine."""
