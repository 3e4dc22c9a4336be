"""The technician's board: static files that speak MQTT and nothing else, and what serves them."""
