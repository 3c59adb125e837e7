"""A seeded slice of the proof, small enough to run each time; ``script/prove`` runs it whole."""

import pytest
from custom_components.stillwell.engine.guard import Phase
from custom_components.stillwell.engine.guard_state import GuardState
from tests.proof import campaign
from tests.proof.explore import SLICES, Slice, explore
from tests.proof.invariants import INVARIANTS
from tests.proof.mutations import MUTATIONS, caught_by, planted
from tests.proof.page import HUB_BEGIN, HUB_END, Proof, hub_part_of, page

QUICK = ("source", "budgets", "return pump and maintenance")
CAUGHT_QUICKLY = (
    "an unknown contact counts as clear",
    "a lockout is told but does not block",
    "OFF is sent once and not repeated",
)


@pytest.mark.parametrize("part", [s for s in SLICES if s.name in QUICK], ids=lambda s: s.name)
def test_a_slice_of_the_states_closes_and_breaks_nothing(part: Slice) -> None:
    finding = explore(part)
    assert finding.closed
    assert finding.broken == {}
    assert finding.states > 1000
    assert {Phase.IDLE, Phase.FILLING, Phase.STOPPING, Phase.TRIPPING} <= finding.phases


def test_a_slice_of_the_campaign_violates_nothing() -> None:
    done = campaign.part((campaign.SEED, 0, 300))
    assert done.violations == []
    assert done.days == 300
    assert done.watched == 30
    assert done.tallies[campaign.NO_FAULT].filled > 20
    assert all(tally.invalid_starts == 0 for tally in done.tallies.values())


def test_the_same_day_is_played_the_same_way_again() -> None:
    first = campaign.play(7, 123)[1].report
    again = campaign.play(7, 123)[1].report
    assert first == again


def test_all_singles_and_all_pairs_come_round() -> None:
    days = 100 * len(campaign.PAIRS)
    met = {campaign.faults_of(number) for number in range(days)}
    assert met == {(), *campaign.SINGLES, *campaign.PAIRS}


@pytest.mark.parametrize("name", CAUGHT_QUICKLY)
def test_a_planted_fault_is_caught_and_taken_out_again(name: str) -> None:
    mutation = next(m for m in MUTATIONS if m.name == name)
    assert caught_by(mutation, days=0) is not None
    part = next(s for s in SLICES if s.name == "budgets")
    assert explore(part, 500).broken == {}


def test_a_lockout_that_is_not_stored_is_seen() -> None:
    mutation = next(m for m in MUTATIONS if m.name == "a lockout does not survive a restart")
    state = GuardState.damaged(1.0)
    with planted(mutation):
        assert GuardState.from_dict(state.to_dict()).trip is None
    assert GuardState.from_dict(state.to_dict()).trip == state.trip


def test_at_least_ten_faults_are_planted_and_each_has_a_name() -> None:
    assert len({m.name for m in MUTATIONS}) == len(MUTATIONS) >= 10


def test_the_page_names_every_invariant_and_keeps_the_hub_part() -> None:
    text = page(Proof(seed=1, campaign=campaign.part((1, 0, 20))), "| kept |")
    assert all(predicate.__name__ in text for predicate in INVARIANTS)
    assert hub_part_of(text) == "| kept |"
    assert text.index(HUB_BEGIN) < text.index(HUB_END)
    assert hub_part_of("nothing") == ""
