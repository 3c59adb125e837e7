"""The pure core of Stillwell: no hub, no clock, no I/O; time is an argument."""
