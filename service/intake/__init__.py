"""The story of a message: a snapshot is loaded, a change is planned from it without a database, the change is applied."""
