"""The stream: the local broker, the publisher, commands and their replies, over MQTT 3.1.1."""
