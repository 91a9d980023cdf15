"""What is told over MQTT: events in order, the present state retained, a canary that must come back."""
