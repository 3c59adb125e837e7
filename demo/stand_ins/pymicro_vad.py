"""Takes the place of a voice detector that needs a compiler; the lab has no microphone."""


class MicroVad:
    """Never made: no voice pipeline runs here."""
