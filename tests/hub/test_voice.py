"""Questions by voice, by intent and by a language model's tool: right figures, nothing switched."""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import pytest
import voluptuous as vol
from custom_components.stillwell import llm as our_tools
from custom_components.stillwell.answers import Answers
from custom_components.stillwell.const import DOMAIN
from custom_components.stillwell.intent import INTENTS
from custom_components.stillwell.questions import ARTICLES, ASKED, languages_heard
from homeassistant.components.conversation import async_converse
from homeassistant.components.homeassistant.exposed_entities import async_expose_entity
from homeassistant.components.llm import async_get_tools
from homeassistant.const import STATE_UNAVAILABLE
from homeassistant.core import Context
from homeassistant.helpers import device_registry as dr
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers import intent
from homeassistant.helpers.llm import LLM_API_ASSIST, LLMContext, ToolInput
from homeassistant.setup import async_setup_component
from homeassistant.util import dt as dt_util
from homeassistant.util.unit_system import US_CUSTOMARY_SYSTEM

from .conftest import fill_line, reservoir
from .lab import SOURCE, VALVE
from .test_reservoir import EVERY_S, falling

if TYPE_CHECKING:
    from homeassistant.core import HomeAssistant

    from .lab import Lab

DEVICE = "input_boolean.lagoon_valve"
ASSISTANT = "conversation"


@pytest.fixture(autouse=True)
async def _voice(hass: HomeAssistant) -> None:
    """Set up the hub's own voice agent."""
    await hass.config.async_set_time_zone("UTC")
    for component in ("homeassistant", "conversation"):
        assert await async_setup_component(hass, component, {})


async def say(hass: HomeAssistant, text: str, language: str = "en") -> str:
    """Say a sentence and return the answer."""
    result = await async_converse(hass, text, None, Context(), language=language)
    return str(result.response.speech["plain"]["speech"])


async def ask(hass: HomeAssistant, question: str, name: str | None = None, **more: Any) -> Any:
    """Ask by intent."""
    slots = {} if name is None else {"name": {"value": name}}
    return await intent.async_handle(hass, "test", INTENTS[question], slots, **more)


def speech(response: intent.IntentResponse) -> str:
    """Return what a response says."""
    return str(response.speech["plain"]["speech"])


async def test_how_long_the_lagoon_reservoir_lasts(hass: HomeAssistant, lab: Lab) -> None:
    """3 L a day from 20 cm: after 12 h 14.7 L are usable, which is 4.9 days (arithmetic)."""
    await lab.set_up()
    await lab.run(falling(12), EVERY_S)
    told = await say(hass, "How long will the lagoon reservoir last?")
    found = re.fullmatch(
        r"The Lagoon reservoir will last about (\d\.?\d?) days, until (\w+day) at (\d\d:\d\d)\. "
        r"In eight of ten cases it is empty between (.+) and (.+)\.",
        told,
    )
    assert found, told
    assert float(found[1].replace(",", ".")) == pytest.approx(4.9, rel=0.1)
    empty_at = dt_util.parse_datetime(lab.state("empty_at").state)
    assert abs((empty_at - dt_util.utcnow()).total_seconds() / 86400 - float(found[1])) < 0.06
    said = [  # a day of the coming week by its name, and a time of day
        moment
        for days in range(7)
        if f"{(moment := dt_util.utcnow() + timedelta(days=days)):%A}" == found[2]
    ]
    assert len(said) == 1
    said_at = said[0].replace(hour=int(found[3][:2]), minute=int(found[3][3:]))
    # The entity is written again once it is 0.5 % of the time left off: 35 min of 4.9 days.
    assert abs((said_at - empty_at).total_seconds()) <= 0.005 * 4.9 * 86400
    assert await say(hass, "when is the lagoon reservoir empty") == told


async def test_how_much_there_is(hass: HomeAssistant, lab: Lab) -> None:
    """20 cm of 900 cm2 are 18 L, of 27 L at the full mark; 1.8 L lie below the empty mark."""
    await lab.set_up()
    await lab.run([20.0] * 12)
    told = await say(hass, "how much water is in the lagoon reservoir")
    assert told == (
        "The Lagoon reservoir holds 18 litres, 67 % of full. Of it 16.2 litres can be used."
    )
    assert await say(hass, "How full is the Lagoon reservoir?") == told
    hass.config.units = US_CUSTOMARY_SYSTEM
    # 18 L and 16.2 L at 3.785411784 L to the US gallon (NIST Handbook 44).
    assert await say(hass, "how many gallons are in the lagoon reservoir") == (
        "The Lagoon reservoir holds 4.8 gallons, 67 % of full. Of it 4.3 gallons can be used."
    )


async def test_a_renamed_device_is_asked_for_by_its_new_name(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    await lab.run([20.0] * 12)
    registry = dr.async_get(hass)
    (device,) = dr.async_entries_for_config_entry(registry, lab.entry.entry_id)
    registry.async_update_device(device.id, name_by_user="Big tub")
    await hass.async_block_till_done()
    told = await say(hass, "how much water is in the big tub")
    assert told.startswith("The Big tub holds 18 litres")
    # Nobody answers to the old name any more, nor to any once the system is gone.
    assert "18 litres" not in await say(hass, "how much water is in the lagoon reservoir")
    assert await hass.config_entries.async_unload(lab.entry.entry_id)
    assert "18 litres" not in await say(hass, "how much water is in the big tub")


async def test_one_litre_is_said_as_one(hass: HomeAssistant, lab: Lab) -> None:
    """Below the empty mark nothing can be used: 1 L is 1.11 cm deep (arithmetic)."""
    await lab.set_up(zero_is_suspect=False)
    await lab.run([1.11] * 40)
    assert await say(hass, "how much is in the lagoon reservoir") == (
        "The Lagoon reservoir holds 1 litre, 4 % of full. Of it 0 litres can be used."
    )
    assert await say(hass, "how long does the lagoon reservoir last") == (
        "The Lagoon reservoir is at its empty mark now."
    )


@pytest.mark.parametrize(
    ("language", "litres"),
    [("de", "1,5 Liter"), ("es", "1,5 litros"), ("fr", "1,5 litre"), ("nl", "1,5 liter")],
)
async def test_a_litre_and_a_half_is_one_or_more(
    hass: HomeAssistant, lab: Lab, language: str, litres: str
) -> None:
    """CLDR, plural rules: French has one of anything below two, the others of exactly one."""
    await lab.set_up()
    assert (await Answers.of(hass, language)).volume(1.5) == litres


async def test_what_is_not_known_is_said_to_be_so(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    missing = "How much water is in the Lagoon reservoir is not known now: Source missing."
    assert await say(hass, "how long will the lagoon reservoir last") == missing
    assert await say(hass, "how much water is in the lagoon reservoir") == missing
    await lab.level(20.0)
    assert await say(hass, "how much water is in the lagoon reservoir") == (
        "How much water is in the Lagoon reservoir is not known now: Starting."
    )
    await lab.run([20.0] * 6)
    assert await say(hass, "how long will the lagoon reservoir last") == (
        "How long the Lagoon reservoir will last is not known yet: too little of its use has"
        " been seen."
    )
    hass.states.async_set(SOURCE, STATE_UNAVAILABLE)
    await lab.wait(300.0)
    assert "valid reading is 5 minutes old" in await say(hass, "how full is the lagoon reservoir")
    await lab.wait(3600.0)
    # By then it is the silence that counts: 300 s and an hour without a report.
    assert lab.state("signal_reason").state == "stale"
    assert await say(hass, "how full is the lagoon reservoir") == (
        "How much water is in the Lagoon reservoir is not known now: No report for too long."
    )


async def test_a_level_that_never_falls_lasts_for_more_than_a_year(
    hass: HomeAssistant, lab: Lab
) -> None:
    await lab.set_up()
    await lab.run([20.0] * 300, EVERY_S)
    assert lab.state("empty_at").state == "unknown"
    assert await say(hass, "how long will the lagoon reservoir last") == (
        "By what is known of its use, the Lagoon reservoir will last for more than a year."
    )


async def test_a_fill_that_is_going_on_is_said(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    await lab.run([8.0] * 10)
    await lab.run([8.0 + 0.4 * step for step in range(1, 15)])
    assert lab.state("filling").state == "on"
    assert (await say(hass, "how full is the lagoon reservoir")).endswith("It is being filled now.")


async def test_what_is_locked_out(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(device=DEVICE)
    told = await say(hass, "is the lagoon reservoir locked out")
    assert told.startswith("The Lagoon reservoir fill line is not locked out. It does not permit")
    await lab.settle()
    assert await say(hass, "is the lagoon reservoir locked out") == (
        "The Lagoon reservoir fill line is not locked out."
    )
    await lab.line.async_lock_out("a hose came off")
    moment = f"{dt_util.now():%H:%M}"
    locked = (
        f"The Lagoon reservoir fill line has been locked out since today at {moment}: "
        "Locked out by a rule or a person. Look on site before you reset it."
    )
    for sentence in (
        "is the lagoon reservoir locked out",
        "why is the lagoon reservoir fill line locked out",
    ):
        assert await say(hass, sentence) == locked
    # It is read, not reset.
    assert lab.is_locked_out
    assert not lab.is_valve_on


async def test_a_vessel_without_a_line(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up()
    assert await say(hass, "is the lagoon reservoir locked out") == (
        "No fill line leads into the Lagoon reservoir, so nothing of it can be locked out."
    )


async def test_sentences_of_others_are_left_alone(hass: HomeAssistant, lab: Lab) -> None:
    entry = await lab.set_up()
    other = await say(hass, "how long will the washing machine last")
    assert "litres" not in other
    assert "Lagoon" not in other
    assert await hass.config_entries.async_unload(entry.entry_id)
    gone = await say(hass, "how long will the lagoon reservoir last")
    assert "not known" not in gone


async def test_a_name_of_a_person_s_own_and_one_that_cannot_be_said(
    hass: HomeAssistant, lab: Lab
) -> None:
    await lab.set_up(reservoir("???", source="sensor.other"))
    registry = dr.async_get(hass)
    device_id = er.async_get(hass).async_get(lab.entity_id("volume")).device_id
    registry.async_update_device(device_id, name_by_user="The big (blue) butt")
    await lab.reload()
    await lab.run([20.0] * 6)
    told = await say(hass, "how full is the big blue butt")
    assert told.startswith("The big (blue) butt holds 18 litres")


async def test_a_refused_sentence_does_not_keep_the_guard_from_starting(
    hass: HomeAssistant, lab: Lab, caplog: pytest.LogCaptureFixture
) -> None:
    with patch(
        "custom_components.stillwell.sentences.async_validate_trigger_config",
        side_effect=vol.Invalid("no"),
    ):
        await lab.set_up(device=DEVICE)
    assert "No sentences for Lagoon reservoir: no" in caplog.text
    await lab.settle()
    assert lab.is_permitted
    with patch(
        "custom_components.stillwell.sentences.async_initialize_triggers", return_value=None
    ):
        await lab.reload()
    assert lab.entry.state.value == "loaded"


# Other languages

# 20 cm of 900 cm2 are 18 L, of 27 L at the full mark; 1.8 L lie below the empty mark.
AMOUNTS = {
    "de": (
        (
            "Der Behälter „Lagune“ enthält 18 Liter, das sind 67 % von voll."
            " Davon nutzbar: 16,2 Liter."
        ),
        (
            "Wie voll ist die Lagune?",
            "wie viel Wasser ist noch in der Lagune",
            "Wieviel Liter sind in der Lagune?",
        ),
    ),
    "es": (
        "En Lagune hay 18 litros, un 67 % de lleno. De ello se pueden usar 16,2 litros.",
        (
            "¿Cuánta agua queda en la Lagune?",
            "¿Cómo de llena está la lagune?",
            "cuantos litros hay en lagune",
        ),
    ),
    "fr": (
        "Lagune contient 18 litres, soit 67\u00a0% du plein, dont 16,2 litres utilisables.",
        (
            "Combien d'eau reste-t-il dans la Lagune ?",
            "Combien de litres y a-t-il dans la lagune ?",
            "À quel point la lagune est-elle pleine ?",
        ),
    ),
    "nl": (
        "In Lagune zit 18 liter, 67 % van vol. Daarvan is 16,2 liter bruikbaar.",
        (
            "Hoeveel water zit er nog in de Lagune?",
            "hoe vol is de lagune",
            "hoeveel liter zit er in Lagune",
        ),
    ),
}
LASTS = {
    "de": (
        r".* „Lagune“ reicht noch etwa (\d,?\d?) Tage, bis (\w+) um (\d\d:\d\d) Uhr\..*",
        ("Wie lange reicht die Lagune noch?", "wie lange hält das Wasser in der Lagune",
         "Wann ist die Lagune leer?"),
    ),
    "es": (
        r".* Lagune durará alrededor de (\d,?\d?) días, hasta el (\w+) a las (\d\d:\d\d)\..*",
        ("¿Cuánto tiempo durará la Lagune?", "¿Cuándo estará vacía la lagune?",
         "¿cuándo se vacía lagune?"),
    ),
    "fr": (
        r"Lagune tiendra environ (\d,?\d?) jours, date probable\s: (\w+) à (\d\d:\d\d)\..*",
        ("Combien de temps la lagune va-t-elle tenir ?", "Combien de temps durera la Lagune ?",
         "Quand la lagune sera-t-elle vide ?"),
    ),
    "nl": (
        r"Lagune gaat nog ongeveer (\d,?\d?) dagen mee, tot (\w+) om (\d\d:\d\d)\..*",
        ("Hoe lang gaat de Lagune nog mee?", "hoelang gaat het water in de lagune mee",
         "Wanneer is de lagune leeg?"),
    ),
}  # fmt: skip
WEEK_DAYS = {
    "de": ("Montag", "Dienstag", "Mittwoch", "Donnerstag", "Freitag", "Samstag", "Sonntag"),
    "es": ("lunes", "martes", "miércoles", "jueves", "viernes", "sábado", "domingo"),
    "fr": ("lundi", "mardi", "mercredi", "jeudi", "vendredi", "samedi", "dimanche"),
    "nl": ("maandag", "dinsdag", "woensdag", "donderdag", "vrijdag", "zaterdag", "zondag"),
}
LOCKED = {
    "de": ("nicht verriegelt", ("Ist die Lagune verriegelt?", "warum ist die lagune gesperrt")),
    "es": (
        "no está en bloqueo",
        ("¿Está la Lagune bloqueada?", "¿Por qué está en bloqueo la lagune?"),
    ),
    "fr": (
        "pas de verrouillage",
        ("La lagune est-elle verrouillée ?", "Pourquoi est-ce que la lagune est verrouillée ?"),
    ),
    "nl": ("is niet vergrendeld", ("Is de Lagune vergrendeld?", "waarom is de lagune vergrendeld")),
}


@pytest.mark.parametrize("language", ["de", "es", "fr", "nl"])
async def test_each_language_asks_and_is_answered(
    hass: HomeAssistant, lab: Lab, language: str
) -> None:
    """3 L a day from 20 cm: after 12 h 14.7 L are usable, which is 4.9 days (arithmetic)."""
    hass.config.language = language
    await lab.set_up(device=DEVICE)
    await _named(hass, lab, "Lagune")
    await lab.settle()
    told, questions = AMOUNTS[language]
    for question in questions:
        assert await say(hass, question, language) == told, question
    says, questions = LOCKED[language]
    for question in questions:
        assert says in await say(hass, question, language), question
    await lab.run(falling(12), EVERY_S)
    pattern, questions = LASTS[language]
    for question in questions:
        found = re.fullmatch(pattern, await say(hass, question, language))
        assert found, question
        assert float(found[1].replace(",", ".")) == pytest.approx(4.9, rel=0.1)
        empty_at = dt_util.parse_datetime(lab.state("empty_at").state)
        assert found[2] == WEEK_DAYS[language][empty_at.weekday()]
    # English is heard beside it, and answered in the language of the agent.
    assert (await say(hass, "how full is the lagune")).startswith("The Lagune holds")
    in_own = await say(hass, "how full is the lagune", language)
    assert not in_own.startswith("The Lagune holds")
    assert "Lagune" in in_own


async def _named(hass: HomeAssistant, lab: Lab, name: str) -> None:
    device_id = er.async_get(hass).async_get(lab.entity_id("volume")).device_id
    dr.async_get(hass).async_update_device(device_id, name_by_user=name)
    await lab.reload()


@pytest.mark.parametrize(
    ("language", "name", "asked"),
    [
        # An article runs into a vowel, is part of the name, or has a country's accent.
        ("fr", "Osmoseur", ("Combien d'eau reste-t-il dans l'osmoseur ?", "Osmoseur contient 18")),
        ("fr", "Osmoseur", ("Combien d’eau reste-t-il dans l’osmoseur ?", "Osmoseur contient 18")),
        ("es", "El Depósito", ("¿Cuánta agua hay en el depósito?", "En El Depósito hay 18 litros")),
        ("nl-BE", "het reservoir", ("Hoe vol is het reservoir?", "In het reservoir zit 18 liter")),
        ("de-AT", "Vorrat", ("Wie viel Wasser ist im Vorrat?", "Der Behälter „Vorrat“ enthält 18")),
    ],
)
async def test_articles_of_a_language(
    hass: HomeAssistant, lab: Lab, language: str, name: str, asked: tuple[str, str]
) -> None:
    hass.config.language = language
    await lab.set_up()
    await _named(hass, lab, name)
    await lab.run([20.0] * 12)
    assert (await say(hass, asked[0], language)).startswith(asked[1])


async def test_a_hub_in_a_language_of_no_sentences_hears_english(
    hass: HomeAssistant, lab: Lab
) -> None:
    hass.config.language = "it"
    await lab.set_up()
    await lab.run([20.0] * 12)
    assert (await say(hass, "how full is the lagoon reservoir", "it")).startswith("The Lagoon")
    assert "Lagoon" not in await say(hass, "wie voll ist lagoon reservoir", "it")


def test_each_language_has_each_question_and_its_texts() -> None:
    folder = Path(our_tools.__file__).parent / "translations"
    assert set(ASKED) == set(ARTICLES) == {file.stem for file in folder.glob("*.json")}
    for asked in ASKED.values():
        assert set(asked) == set(INTENTS)
        assert all("NAME" in sentence for sentences in asked.values() for sentence in sentences)
    assert languages_heard("en-GB") == ["en"]
    assert languages_heard("pt-BR") == ["en"]
    assert languages_heard("es-419") == ["es", "en"]


# Intents


async def test_intents_find_a_name(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(reservoir("Nursery reservoir", source="sensor.nursery"), device=DEVICE)
    await lab.run([20.0] * 12)
    for name in ("Lagoon reservoir", "the lagoon", "LAGOON RESERVOIR"):
        assert speech(await ask(hass, "amount", name)).startswith("The Lagoon reservoir holds 18")
    # A line stands for the vessel it fills.
    line = await ask(hass, "time_left", "lagoon reservoir fill line")
    assert speech(line).startswith("How long the Lagoon reservoir will last is not known yet")
    which = await ask(hass, "amount", "reservoir")
    assert which.response_type is intent.IntentResponseType.ERROR
    assert speech(which) == "That may be one of these: Lagoon reservoir, Nursery reservoir."
    nobody = await ask(hass, "amount", "boiler")
    assert speech(nobody) == (
        "There is no vessel or fill line called boiler. There are: Lagoon reservoir, "
        "Nursery reservoir, Lagoon reservoir fill line."
    )
    unnamed = await ask(hass, "amount")
    assert unnamed.response_type is intent.IntentResponseType.ERROR


async def test_the_only_vessel_needs_no_name(hass: HomeAssistant, lab: Lab) -> None:
    entry = await lab.set_up(device=DEVICE)
    await lab.run([20.0] * 12)
    assert speech(await ask(hass, "amount")).startswith("The Lagoon reservoir holds 18 litres")
    assert await hass.config_entries.async_unload(entry.entry_id)
    assert speech(await ask(hass, "amount")) == "There is no vessel that can be asked about."


# Tools of a language model


def context() -> LLMContext:
    """Return the context of a request."""
    return LLMContext(
        platform="test", context=Context(), language="en", assistant=ASSISTANT, device_id=None
    )


async def test_tools_are_read_only_and_know_what_is_exposed(hass: HomeAssistant, lab: Lab) -> None:
    await lab.set_up(fill_line(title="Second", device="input_boolean.other"))
    for entity in er.async_get(hass).entities.values():
        async_expose_entity(hass, ASSISTANT, entity.entity_id, should_expose=False)
    assert our_tools.async_get_tools(hass, context(), LLM_API_ASSIST) is None
    hidden = await ask(hass, "amount", "lagoon reservoir", assistant=ASSISTANT)
    assert speech(hidden) == "There is no vessel that can be asked about."
    async_expose_entity(hass, ASSISTANT, lab.entity_id("volume"), should_expose=True)
    assert our_tools.async_get_tools(hass, context(), "other") is None
    await lab.run([20.0] * 12)
    offered = await async_get_tools(hass, context(), LLM_API_ASSIST)
    tools = {tool.name: tool for tool in offered.tools if tool.integration == DOMAIN}
    assert set(tools) == {f"{DOMAIN}__{question}" for question in INTENTS}
    for tool in tools.values():
        assert tool.annotations.read_only
        assert not tool.annotations.destructive
        assert tool.title
        assert tool.description
        assert [str(key) for key in tool.parameters.schema] == ["name"]
    assert "water systems: Lagoon reservoir." in (offered.prompt or "")
    before = hass.states.get(VALVE).last_updated
    result = await tools[f"{DOMAIN}__amount"].async_call(
        hass, ToolInput(f"{DOMAIN}__amount", {"name": "lagoon"}), context()
    )
    assert result.data["speech"]["plain"]["speech"].startswith("The Lagoon reservoir holds 18")
    assert hass.states.get(VALVE).last_updated == before


async def test_moments_and_times_are_said_as_people_say_them(
    hass: HomeAssistant, freezer: Any
) -> None:
    """25 November 2026 is a Wednesday (calendar)."""
    answers = await Answers.of(hass, None)
    freezer.move_to("2026-11-25 16:00:00+00:00")
    now = dt_util.now()
    for moment, said in (
        (datetime(2026, 11, 25, 18, 5, tzinfo=UTC), "today at 18:05"),
        (datetime(2026, 11, 26, 0, 0, tzinfo=UTC), "Thursday at 00:00"),
        (datetime(2026, 12, 1, 23, 0, tzinfo=UTC), "Tuesday at 23:00"),
        (datetime(2026, 12, 2, 23, 0, tzinfo=UTC), "2026-12-02"),
    ):
        assert answers.moment(now, moment.timestamp()) == said
    for seconds, said in (
        (60, "a few minutes"),
        (150, "2.5 minutes"),
        (3 * 3600, "3 hours"),
        (86400, "24 hours"),
        (3.04 * 86400, "3 days"),
        (120.4 * 86400, "120 days"),
    ):
        assert answers._time(seconds) == said
