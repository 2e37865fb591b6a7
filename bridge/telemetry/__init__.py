"""What others may watch over MQTT, and the one thing they may say: stop (see TOPICS.md)."""
