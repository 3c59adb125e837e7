"""The demonstration: a school marine lab on the real hub, with a simulated reservoir beside it."""
