"""The only files that touch serial ports, sockets and radios."""
