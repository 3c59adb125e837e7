"""A person walking through the forms of a vessel."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from custom_components.stillwell.const import SUBENTRY_RESERVOIR
from homeassistant.config_entries import SOURCE_RECONFIGURE, SOURCE_USER
from homeassistant.data_entry_flow import FlowResultType

if TYPE_CHECKING:
    from collections.abc import Callable

    from homeassistant.core import HomeAssistant
    from pytest_homeassistant_custom_component.common import MockConfigEntry


@dataclass
class Walk:
    """The walk; each form on the way is checked for its texts."""

    hass: HomeAssistant
    entry: MockConfigEntry
    check_form: Callable[[Any], None]
    form: Any = None
    kind: str = SUBENTRY_RESERVOIR

    async def open(self, subentry_id: str | None = None) -> Any:
        context = (
            {"source": SOURCE_USER}
            if subentry_id is None
            else {"source": SOURCE_RECONFIGURE, "subentry_id": subentry_id}
        )
        self.form = await self.hass.config_entries.subentries.async_init(
            (self.entry.entry_id, self.kind), context=context
        )
        return self._checked()

    async def send(self, values: dict[str, Any]) -> Any:
        self.form = await self.hass.config_entries.subentries.async_configure(
            self.form["flow_id"], values
        )
        return self._checked()

    async def all(self, *steps: dict[str, Any]) -> Any:
        for values in steps:
            await self.send(values)
            assert not self.form.get("errors"), self.form["errors"]
        return self.form

    def shown(self, *path: str) -> Any:
        """Return what a field of the present form shows, suggested or by default."""
        schema = self.form["data_schema"]
        *sections, name = path
        for section in sections:
            schema = schema.schema[section].schema
        key = next(key for key in schema.schema if key == name)
        if key.description and "suggested_value" in key.description:
            return key.description["suggested_value"]
        return key.default() if callable(key.default) else None

    @property
    def placeholders(self) -> dict[str, str]:
        given: dict[str, str] = self.form["description_placeholders"]
        return given

    def _checked(self) -> Any:
        if self.form["type"] is FlowResultType.FORM:
            self.check_form(self.form)
        return self.form
