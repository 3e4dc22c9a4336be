"""A visit: its phases, and the running state of the systems that it serves."""
