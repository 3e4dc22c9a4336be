"""The models that cross an edge: journal entries, live messages, commands; their schemas."""
