"""Who may do what: grants, scopes, roles, tokens. No SQL and no HTTP here."""
