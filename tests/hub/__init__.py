"""Tests that run in a hub."""
