"""The facts of a case as typed values: what one resource reports, as it is stored, and as the rules read it."""
