"""From a wire to a Frame: codecs, transports and profiles of open-protocol instruments.

Knows nothing of visits, systems or the daemon; the daemon knows it.
"""
