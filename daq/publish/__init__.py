"""What the outside is told, over MQTT: the payloads of the results contract, and the connection that carries them."""
