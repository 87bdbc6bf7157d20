"""What leaves the service: notices, who may receive them, and how they are sent. No SQL here."""
