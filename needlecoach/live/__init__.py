"""From the camera to a score while it happens: attempts recorded, scored at once and with hindsight."""
