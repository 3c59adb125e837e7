"""What cannot be is told in the hub's language and units, wherever a person meets it."""

import ast
import json
from pathlib import Path
from string import Formatter
from typing import TYPE_CHECKING, Any, Final

import custom_components.stillwell as package
import pytest
from custom_components.stillwell import const
from custom_components.stillwell.const import DOMAIN, SUBENTRY_RESERVOIR
from custom_components.stillwell.decimal_mark import written, written_quantities
from custom_components.stillwell.decision_text import async_load_texts, invalid_text, term_key
from custom_components.stillwell.engine.calibration import PourError, PourFault
from custom_components.stillwell.engine.invalid import TEXTS, Amount, Code, Invalid, Term
from custom_components.stillwell.engine.membrane import Stage
from custom_components.stillwell.engine.validity import InputError, water_temp_c
from custom_components.stillwell.form_units import FormUnits
from custom_components.stillwell.settings import SettingsError
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import issue_registry as ir
from homeassistant.util.unit_system import US_CUSTOMARY_SYSTEM

from .test_vessel_kinds import vat
from .walk import Walk

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from homeassistant.core import HomeAssistant

    from .lab import Lab

PACKAGE: Final = Path(package.__file__).parent
LANGUAGES: Final = ("de", "en", "es", "fr", "nl")
CHECKS: Final = {"within": 0, "positive": 0, "not_negative": 0, "Term": 0, "_sea": 0}
"""Calls that name what they judge, and which argument the name is."""
KEYED: Final = {
    "SettingsError": 0, "number": 1, "positive": 1, "entity": 1, "_wait": 1, "_limit": 1,
    "_line": 2, "_band": 2, "GeometryError": 0, "_check_m": 0, "_check_column": 0,
}  # fmt: skip
"""Calls that name a setting, and which argument that is."""

LOOPED: Final = {
    "target_m", "sump_area_m2", "ceiling_l_per_h", "most_per_dose_l", "most_per_hour_l",
    "most_per_day_l", "ramp_l_per_h_per_h",
}  # fmt: skip
"""What the specification of a dosing line names in a loop."""


def _modules() -> Iterator[tuple[Path, ast.Module]]:
    for path in (*sorted(PACKAGE.glob("*.py")), *sorted((PACKAGE / "engine").glob("*.py"))):
        yield path, ast.parse(path.read_text("utf-8"))


def _calls(tree: ast.Module) -> Iterator[tuple[str, list[ast.expr]]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = node.func
            name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
            yield name, node.args


def _named(argument: ast.expr) -> str | None:
    if isinstance(argument, ast.Constant) and isinstance(argument.value, str):
        return argument.value
    if isinstance(argument, ast.Name) and argument.id.startswith("CONF_"):
        return str(getattr(const, argument.id))
    return None


def _terms() -> set[str]:
    """Return every name of a quantity or setting that the code gives to a refusal."""
    found: set[str] = {stage.value for stage in Stage} | LOOPED
    for path, tree in _modules():
        places = CHECKS if path.parent.name == "engine" else CHECKS | KEYED
        if path.name == "geometry.py":
            places = KEYED
        for name, arguments in _calls(tree):
            at = places.get(name)
            if at is not None and len(arguments) > at:
                last = at + (4 if name == "_band" else 1)
                found |= {_named(argument) for argument in arguments[at:last]} - {None}
    return found


def _texts(language: str) -> dict[str, str]:
    found = json.loads((PACKAGE / "translations" / f"{language}.json").read_text("utf-8"))
    common: dict[str, str] = found["common"]
    return common


def _parts(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


@pytest.mark.parametrize("language", LANGUAGES)
def test_each_code_has_a_text_with_the_same_parts(language: str) -> None:
    texts = _texts(language)
    told = {key.removeprefix("invalid_") for key in texts if key.startswith("invalid_")}
    assert told == {code.value for code in Code} == {code.value for code in TEXTS}
    for code, english in TEXTS.items():
        assert _parts(texts[f"invalid_{code}"]) == _parts(english), code
        assert language != "en" or texts[f"invalid_{code}"] == english


@pytest.mark.parametrize("language", LANGUAGES)
def test_each_quantity_and_setting_that_is_named_has_a_name(language: str) -> None:
    named = {term_key(term) for term in _terms()}
    assert {"salinity", "full_m", "sump_area_m2", "what_came_down"} <= named
    assert named - {key.removeprefix("term_") for key in _texts(language)} == set()


def test_each_code_is_used_and_each_text_is_needed() -> None:
    used: set[str] = {fault.value for fault in PourFault}
    for path, tree in _modules():
        if path.name != "invalid.py":
            used |= {
                getattr(Code, node.attr).value
                for node in ast.walk(tree)
                if isinstance(node, ast.Attribute) and getattr(node.value, "id", "") == "Code"
            }
    assert used == {code.value for code in Code}
    terms = {key.removeprefix("term_") for key in _texts("en") if key.startswith("term_")}
    assert terms == {term_key(term) for term in _terms()}


def test_each_refusal_fills_in_what_its_text_asks_for() -> None:
    """Every call that raises with a code gives each part of the text a value."""
    count = 0
    for path, tree in _modules():
        for node in ast.walk(tree):
            if not isinstance(node, ast.Call) or path.name == "invalid.py":
                continue
            codes = [one for one in node.args if ast.unparse(one).startswith("Code.")]
            if not codes or any(word.arg is None for word in node.keywords):
                continue
            given = {str(word.arg) for word in node.keywords}
            called = ast.unparse(node.func)
            given |= {"SettingsError": {"what"}, "GeometryError": {"what", "works"}}.get(
                called, set()
            )
            code = Code[ast.unparse(codes[0]).removeprefix("Code.")]
            assert _parts(TEXTS[code]) <= given, (path.name, node.lineno)
            count += 1
    assert count > 40


# Foreign errors of the disk may be told as they come; the rest of these go to log or diagnostics.
AS_THEY_COME: Final = {
    ("blueprint_care.py", "OSError"),
    ("vat_part.py", "InputError"),
    ("fill_watch.py", "(KeyError, TypeError, ValueError)"),
}


def _tells(handler: ast.ExceptHandler) -> bool:
    """Whether a handler makes a text of its error, as such or in between."""
    return f"str({handler.name})" in ast.unparse(handler) or any(
        isinstance(node, ast.FormattedValue) and getattr(node.value, "id", "") == handler.name
        for node in ast.walk(handler)
    )


def test_no_adapter_tells_the_english_of_an_error() -> None:
    found = set()
    for path, tree in _modules():
        if path.parent.name == "engine":
            continue
        for node in ast.walk(tree):
            if isinstance(node, ast.ExceptHandler) and _tells(node):
                found.add((path.name, ast.unparse(node.type) if node.type else ""))
    assert found == AS_THEY_COME


def test_no_adapter_fills_in_a_sentence_of_its_own() -> None:
    """What a text fills in is a name, a number or a text of the translations."""
    for path, tree in _modules():
        for node in ast.walk(tree):
            if isinstance(node, ast.keyword) and str(node.arg).endswith("_placeholders"):
                words = [one for one in ast.walk(node.value) if isinstance(one, ast.Constant)]
                said = [one.value for one in words if " " in str(one.value).strip()]
                assert said == [], (path.name, node.value.lineno)


GERMAN: Final[list[tuple[Exception, str]]] = [
    (
        SettingsError("full_m", Code.NOT_ABOVE, other=Term("start_m"), value=Amount(0.0762, "m")),
        (
            "Vollmarke (oder Nachfüllen bis): muss über „Startmarke "
            "(Auffüllen fällig, Nachfüllen ab, Ansatz fällig)“ liegen, also über 7,62 cm"
        ),
    ),
    (KeyError("shape"), "was davon gespeichert ist, lässt sich nicht lesen"),
    (Invalid(Code.BATCH_TOO_LARGE, volume=Amount(121.0, "L")), "121 L sind mehr, als er fassen"),
    (
        Invalid(Code.BAND, low=Amount(26.0, "degC"), high=Amount(24.5, "degC")),
        "der Bereich von 26 °C bis 24,5 °C ist verkehrt herum",
    ),
    (
        PourError(PourFault.RESTLESS, drift=Amount(0.00012, "m")),
        "um 0,012 cm bewegt",
    ),
]


@pytest.mark.parametrize(("err", "says"), GERMAN)
async def test_it_is_told_in_the_language_of_the_hub(
    hass: HomeAssistant, err: Exception, says: str
) -> None:
    hass.config.language = "de"
    await async_load_texts(hass)
    assert says in invalid_text(hass, err)


@pytest.mark.parametrize(
    ("amount", "says"),
    [
        # 12 in are 30.48 cm, 1 gal 3.785412 L, 1 ft2 0.09290304 m2, 25 degC 77 degF: NIST SP 811.
        (Amount(0.3048, "m"), "12 in"),
        (Amount(3.785412, "L"), "1 gal"),
        (Amount(0.09290304, "m2"), "1 ft²"),
        (Amount(25.0, "degC"), "77 °F"),
        (Amount(25.0, "degC", is_as_taken=True), "25 °C"),
        (Amount(53.1, "uS/cm", is_as_taken=True), "53.1 uS/cm"),
        (Amount(8.3), "8.3"),
        (Amount(1.0264), "1.0264"),
        (Amount(1234567.0), "1234567"),
        (Amount((0.0, 0.254), "m"), "0; 10 in"),
    ],
)
async def test_numbers_come_in_the_units_of_the_keeper(
    hass: HomeAssistant, amount: Amount, says: str
) -> None:
    hass.config.units = US_CUSTOMARY_SYSTEM
    assert FormUnits.of(hass).show(amount) == says


# Marks of the five languages: Unicode CLDR, from memory. From five digits on, as Spanish writes.
MARKS: Final = {
    "de": ("9999 L", "12.345 L", "1.000.000,5 L", "0,123456"),
    "en": ("9999 L", "12,345 L", "1,000,000.5 L", "0.123456"),
    "es": ("9999 L", "12.345 L", "1.000.000,5 L", "0,123456"),
    "fr": (
        "9999 L",
        "12\N{NARROW NO-BREAK SPACE}345 L",
        "1\N{NARROW NO-BREAK SPACE}000\N{NARROW NO-BREAK SPACE}000,5 L",
        "0,123456",
    ),
    "nl": ("9999 L", "12.345 L", "1.000.000,5 L", "0,123456"),
}


@pytest.mark.parametrize("language", LANGUAGES)
async def test_long_numbers_stand_in_groups(hass: HomeAssistant, language: str) -> None:
    hass.config.language = language
    await async_load_texts(hass)
    four, five, seven, small = MARKS[language]
    assert written(hass, "9999 L") == four
    assert written(hass, "12345 L") == five
    assert written(hass, "1000000.5 L") == seven
    # Figures after the mark stand together, and so does what is copied into a form's table.
    assert written(hass, "0.123456") == small
    assert written_quantities(hass, {"row": "12345; 100000"}) == {"row": "12345; 100000"}
    err = Invalid(Code.BATCH_TOO_LARGE, volume=Amount(12345.0, "L"))
    assert five in invalid_text(hass, err)


async def test_a_mix_up_of_units_is_told_in_the_unit_it_is_about(hass: HomeAssistant) -> None:
    """77 degF are 25 degC exactly; converting what was taken for degC would tell 170.6."""
    hass.config.units = US_CUSTOMARY_SYSTEM
    hass.config.language = "nl"
    await async_load_texts(hass)
    with pytest.raises(InputError) as caught:
        water_temp_c(77.0, 0.0, 40.0)
    told = invalid_text(hass, caught.value)
    assert told.startswith("temperatuur: 77 °C ligt buiten 0 °C tot 40 °C")
    assert "degF, dan zou 25 °C juist zijn" in told


# Where people meet it


async def test_an_action_refuses_in_the_language_of_the_hub(hass: HomeAssistant, lab: Lab) -> None:
    hass.config.language = "es"
    await lab.set_up(vat())
    vat_id = er.async_get(hass).async_get_entity_id("sensor", DOMAIN, "lagoon_vat_volume")
    target = {"entity_id": vat_id, "volume_l": 121}
    with pytest.raises(ServiceValidationError) as caught:
        await hass.services.async_call(DOMAIN, "batch", target, blocking=True, return_response=True)
    # The vat of 50 cm by 40 cm by 60 cm holds 120 L.
    assert caught.value.translation_placeholders["why"] == "121 L es más de lo que cabe en ella"


async def test_a_pour_is_refused_in_the_language_of_the_hub(hass: HomeAssistant, lab: Lab) -> None:
    hass.config.language = "fr"
    await lab.set_up()
    with pytest.raises(ServiceValidationError) as caught:
        await hass.services.async_call(
            DOMAIN,
            "pour_end",
            {"entity_id": lab.entity_id("volume"), "poured_l": 5.0},
            blocking=True,
        )
    assert caught.value.translation_placeholders["why"] == (
        "le niveau avant l'ajout n'a pas été relevé"
    )


async def test_a_notice_tells_in_the_language_and_units_of_the_hub(
    hass: HomeAssistant, lab: Lab
) -> None:
    hass.config.language, hass.config.units = "nl", US_CUSTOMARY_SYSTEM
    await lab.set_up(start_m=0.508)
    issue = ir.async_get(hass).async_get_issue(DOMAIN, "vessel_settings_invalid_lagoon_reservoir")
    # 20 in are 0.508 m.
    assert issue.translation_placeholders["error"] == (
        "volpeil (in een sump ‘Bijvullen tot’): moet boven startpeil "
        "(navullen nodig, bijvullen vanaf of nieuw mengsel nodig) liggen, dus boven 20 in"
    )


async def test_a_form_refuses_in_the_language_of_the_hub(
    hass: HomeAssistant, lab: Lab, check_form: Callable[[Any], None]
) -> None:
    await lab.set_up()
    hass.config.language = "de"
    await async_load_texts(hass)
    walk = Walk(hass, lab.entry, check_form, kind=SUBENTRY_RESERVOIR)
    hass.states.async_set("sensor.other", "20", {"unit_of_measurement": "%"})
    await walk.open()
    await walk.send(
        {"name": "Other", "source": "sensor.other", "measure": "percent", "shape": "strapping"}
    )
    form = await walk.send({"table": "0; 2\n10; 3"})
    assert form["errors"] == {"table": "shape_refused"}
    assert walk.placeholders["why"].startswith(
        "Spalte der Volumen: beginnt bei 2 L, doch die erste Zeile ist der leere Behälter"
    )
