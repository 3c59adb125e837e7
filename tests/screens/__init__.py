"""Every screen of the integration, staged on a real hub, pictured and read."""
