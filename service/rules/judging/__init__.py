"""A sleep test is judged before it is believed: valid, consistent, comparable, and what its index hides."""
