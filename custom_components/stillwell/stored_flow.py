"""What the forms of vessels and fill lines share: what is stored already, and the name."""

from typing import TYPE_CHECKING, Any

from homeassistant.config_entries import SOURCE_RECONFIGURE, ConfigSubentryFlow

from .vessel_checks import Refusal
from .vessel_neighbours import free_name

if TYPE_CHECKING:
    from collections.abc import Mapping

    from homeassistant.config_entries import ConfigSubentry

FIELD_NAME = "name"


class StoredFlow(ConfigSubentryFlow):
    """A form that adds a subentry, or changes one that is stored."""

    @property
    def _stored(self) -> ConfigSubentry | None:
        return self._get_reconfigure_subentry() if self.source == SOURCE_RECONFIGURE else None

    @property
    def _stored_data(self) -> Mapping[str, Any]:
        return {} if (stored := self._stored) is None else stored.data

    @property
    def _own_id(self) -> str | None:
        return None if (stored := self._stored) is None else stored.subentry_id


def check_name(given: str, taken: set[str], proposal: str) -> None:
    """Refuse a name that is empty, or that another one of its kind has.

    Raises:
        Refusal: with a name that would work.
    """
    name = given.strip()
    if not name:
        raise Refusal(FIELD_NAME, "name_empty", other_name=proposal)
    if name.casefold() in taken:
        other_name = free_name(name, taken)
        raise Refusal(FIELD_NAME, "name_taken", name=name, other_name=other_name)
