"""Who asks, how they prove it, and what they may see and do."""
