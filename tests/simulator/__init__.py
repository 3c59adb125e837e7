"""The plant: water, valve, hoses and sensors. It imports nothing of the integration."""
