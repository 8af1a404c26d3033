"""Who may come in: certificates, password hashes and secrets that only their owner may read."""
