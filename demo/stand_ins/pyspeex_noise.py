"""Takes the place of a noise filter that needs a compiler; the lab has no microphone."""


class AudioProcessor:
    """Never made: no voice pipeline runs here."""
