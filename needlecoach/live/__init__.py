"""From the camera to a score while it happens: attempts told, recorded, scored at once and again with hindsight."""
