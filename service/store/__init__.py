"""The case store: SQLModel tables on SQLite by default and on PostgreSQL by URL. All SQL stays here."""
