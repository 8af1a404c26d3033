"""A site's own broker: its configuration made, and proved against the running one."""
