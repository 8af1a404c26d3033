"""The bench's broker asks for nothing."""

BROKER_USER = None
BROKER_PASSWORD = None
