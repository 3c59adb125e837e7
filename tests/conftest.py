"""Shared set-up of all tests."""

import custom_components

# The hub's test plug-in has a package of the same name; ours must be imported first.
assert custom_components.__path__
