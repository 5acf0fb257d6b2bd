"""What is known of a cooler, through JSON and back."""

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from acoustic.intrusions import GateSpread
from acoustic.uncertainty import HuntingKnowledge
from calibration.fan_noise import Estimate
from calibration.learned import NOTHING_LEARNED, Learned, LearnedSetting
from calibration.listening import ListeningKnowledge
from service.documents.learned import LearnedPart
from service.errors import DocumentError

number = st.floats(0.001, 1e4)
setting = st.builds(LearnedSetting, number, number, number, st.builds(Estimate, number, number))
learned = st.builds(
    Learned,
    settings=st.lists(setting, max_size=3).map(tuple),
    offset_sd_db=number,
    running_percent=st.none() | number,
    standing_percent=st.none() | number,
    time_constants_s=st.lists(number, max_size=3).map(tuple),
    listening=st.none(),
)


@given(learned)
def test_nothing_is_lost_on_the_way(known):
    """Every number comes back to the last digit."""
    part = LearnedPart.model_validate_json(LearnedPart.of(known).model_dump_json())

    assert part.to_learned() == known


def test_how_a_level_hunts_comes_back():
    """Weights and spread are the same; weights of another shape are refused."""
    weights = np.random.default_rng(1).normal(size=HuntingKnowledge().log_weight.shape)
    known = Learned(listening=ListeningKnowledge(HuntingKnowledge(weights), GateSpread(0.2, 7.0)))
    text = LearnedPart.of(known).model_dump_json()
    back = LearnedPart.model_validate_json(text).to_learned()

    assert np.array_equal(back.listening.hunting.log_weight, weights)
    assert back.listening.spread == GateSpread(0.2, 7.0)
    other = LearnedPart.of(
        Learned(listening=ListeningKnowledge(HuntingKnowledge(weights[:, :-1]), GateSpread(0, 0)))
    )
    with pytest.raises(DocumentError, match="another version"):
        other.to_learned()
    assert LearnedPart.of(NOTHING_LEARNED).to_learned() == NOTHING_LEARNED
