"""The running daemon: instruments to inbox to engine to journal to broker, started and stopped in order."""
