"""From the facts of a case to its decision: pure, without a connection, a clock or the network."""
