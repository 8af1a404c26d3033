"""The truck as a frame on one-sided springs: reactions, first lift, tipping: pure."""
