"""Where readings come from: a serial line, an MQTT topic; and the wire formats."""
