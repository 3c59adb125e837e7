"""Stillwell: the water side of a saltwater aquarium."""
