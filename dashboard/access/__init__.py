"""Who may see and who may change what, where the dashboard is reached from other machines."""
