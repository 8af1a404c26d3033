"""What is kept: the journal while running, the sealed run, recovery and import."""
