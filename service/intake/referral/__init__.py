"""The moves of a referral: the state machine of its Task, applied to a message."""
