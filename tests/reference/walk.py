"""Every entity description in the package, found by walking it."""

import re
from importlib import import_module
from pkgutil import iter_modules
from typing import TYPE_CHECKING, Final

import custom_components.stillwell as package
from homeassistant.const import Platform

if TYPE_CHECKING:
    from types import ModuleType

    from homeassistant.helpers.entity import EntityDescription

CLASS: Final = re.compile(r"(\w+)EntityDescription")
PLATFORMS: Final = {str(platform) for platform in Platform}


def platform_of(item: object) -> str | None:
    """Return the platform of a description by its class's name; None if it is none.

    By name: the hub makes a second class of each, and an object may be of either.
    """
    for kind in type(item).__mro__:
        if found := CLASS.fullmatch(kind.__name__):
            name = re.sub(r"(?<!^)(?=[A-Z])", "_", found[1]).lower()
            if name in PLATFORMS:
                return name
    return None


def descriptions() -> list[tuple[ModuleType, str, EntityDescription]]:
    """Return module, platform and description of each entity, once.

    A description stands where its class does; a platform's module may only import it.
    """
    found: dict[int, tuple[ModuleType, str, EntityDescription]] = {}
    for one in iter_modules(package.__path__):
        module = import_module(f"{package.__name__}.{one.name}")
        for value in vars(module).values():
            for item in value if isinstance(value, tuple) else (value,):
                platform = platform_of(item)
                is_home = type(item).__module__ == module.__name__
                if platform is not None and (is_home or id(item) not in found):
                    found[id(item)] = module, platform, item
    return list(found.values())
