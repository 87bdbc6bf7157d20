"""Who is a party to a case, and what a sender may write: pure, from the operator's bindings as loaded."""
