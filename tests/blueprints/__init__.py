"""Tests of the blueprints, in the hub's automation engine."""
