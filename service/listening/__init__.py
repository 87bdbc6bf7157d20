"""The connections of a process: how many there are, and how long each may take. Nothing here knows of patients."""
