"""lineset: hands-free, audit-grade readings for the residential air-conditioning technician."""

__version__ = "0.1.0"
