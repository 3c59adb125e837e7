"""What the forms of vessels and fill lines share: what is stored already, and the name."""

from abc import abstractmethod
from typing import TYPE_CHECKING, Any, override

from homeassistant.config_entries import (
    SOURCE_RECONFIGURE,
    ConfigSubentryFlow,
    SubentryFlowResult,
)

from .decimal_mark import written_quantities
from .decision_text import invalid_text
from .vessel_checks import Refusal
from .vessel_neighbours import free_name, named

if TYPE_CHECKING:
    from collections.abc import Mapping

    import voluptuous as vol
    from homeassistant.config_entries import ConfigSubentry
    from homeassistant.core import HomeAssistant

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

    @abstractmethod
    async def async_step_user(self, user_input: dict[str, Any] | None = None) -> SubentryFlowResult:
        """Ask for what comes first."""

    async def async_step_reconfigure(
        self, user_input: dict[str, Any] | None = None
    ) -> SubentryFlowResult:
        """Go through the same steps with what is stored."""
        return await self.async_step_user(user_input)

    def _save(self, name: str, data: dict[str, Any]) -> SubentryFlowResult:
        """Store what is new or changed; the entry's update listener reloads."""
        if self.source == SOURCE_RECONFIGURE:
            return self.async_update_and_abort(
                self._get_entry(), self._get_reconfigure_subentry(), title=name, data=data
            )
        return self.async_create_entry(title=name, data=data)

    def _form(
        self,
        step_id: str,
        schema: vol.Schema,
        values: Mapping[str, Any],
        refusal: Refusal | None,
        *,
        is_last: bool,
        **placeholders: str,
    ) -> SubentryFlowResult:
        """Show a step filled in, with what was refused and why."""
        return self.async_show_form(
            step_id=step_id,
            data_schema=self.add_suggested_values_to_schema(schema, values),
            errors={refusal.field: refusal.key} if refusal else {},
            description_placeholders=written_quantities(
                self.hass, placeholders | refused_words(self.hass, refusal)
            ),
            last_step=is_last,
        )


class SingleFormFlow(StoredFlow):
    """One form with everything on it: shown, checked, saved."""

    @override
    async def async_step_user(self, user_input: dict[str, Any] | None = None) -> SubentryFlowResult:
        """Ask for everything at once, then save."""
        if (reason := self._missing) is not None:
            return self.async_abort(reason=reason)
        refusal: Refusal | None = None
        if user_input is not None:
            try:
                data = self._checked(user_input)
            except Refusal as err:
                refusal = err
            else:
                return self._save(user_input[FIELD_NAME].strip(), data)
        schema = self._schema(None if refusal is None else refusal.field)
        values = user_input or self._stored_values()
        return self._form("user", schema, values, refusal, is_last=True)

    @property
    def _missing(self) -> str | None:
        """Why there is nothing to set up yet; None when there is."""
        return None

    @abstractmethod
    def _schema(self, opened: str | None) -> vol.Schema:
        """Return the form; the section of a refused field stands open."""

    @abstractmethod
    def _stored_values(self) -> dict[str, Any]:
        """Return what the form shows filled in."""

    @abstractmethod
    def _checked(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return what is stored.

        Raises:
            Refusal: naming the field, why, and what would work.
        """


def refused_words(hass: HomeAssistant, refusal: Refusal | None) -> dict[str, str]:
    """Return what the text of a refusal fills in; none without one.

    Of an entity it is the name by which the form's list shows it, not its id.
    """
    given = {} if refusal is None else refusal.placeholders
    return {
        key: named(hass, word) if isinstance(word, str) else invalid_text(hass, word)
        for key, word in given.items()
    }


def check_name(given: str, taken: set[str], proposal: str | None = None) -> None:
    """Refuse a name that is empty, or that another one of its kind has.

    Without a proposal the text of an empty name brings its own example.

    Raises:
        Refusal: with a name that would work.
    """
    name = given.strip()
    if not name:
        words = {} if proposal is None else {"other_name": proposal}
        raise Refusal(FIELD_NAME, "name_empty", **words)
    if name.casefold() in taken:
        other_name = free_name(name, taken)
        raise Refusal(FIELD_NAME, "name_taken", name=name, other_name=other_name)
