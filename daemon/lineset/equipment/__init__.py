"""The equipment served: points, systems, and how values are shown."""
