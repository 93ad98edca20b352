"""The pace at which a scale that only answers is asked."""

from __future__ import annotations

from drivers.polling import Poller
from drivers.scale_profile import Request

ASK = Request.model_validate({"send": "SI<CR><LF>", "every_s": 0.25})
ANSWER = b"S S      36.52 g\r\n"


def asked(poller: Poller, until_s: float, answers: dict[float, bytes], step_s: float = 0.05):
    """The times of asking, looked at every `step_s`; answers by the time they arrive."""
    times = []
    for n in range(round(until_s / step_s)):
        at_s = round(n * step_s, 2)
        if poller.due(at_s, answers.get(at_s, b"")):
            times.append(at_s)
    return times


def test_without_a_request_nothing_is_ever_sent():
    assert asked(Poller(None, 0.0), 10.0, {}) == []


def test_a_scale_is_listened_to_first_then_asked_and_ever_more_slowly_without_an_answer():
    times = asked(Poller(ASK, 0.0), 20.0, {})
    assert times[:6] == [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    assert times[6:8] == [8.0, 10.0]


def test_answers_set_the_pace():
    answers = {1.1: ANSWER, 1.35: ANSWER, 1.6: ANSWER}
    assert asked(Poller(ASK, 0.0), 2.0, answers) == [1.0, 1.25, 1.5, 1.75]


def test_a_slow_answer_is_waited_for():
    assert asked(Poller(ASK, 0.0), 2.5, {1.8: ANSWER}) == [1.0, 1.8]


def test_a_scale_that_sends_by_itself_is_left_alone_and_asked_when_it_has_fallen_silent():
    answers = {round(0.2 * n, 2): ANSWER for n in range(20)}
    assert asked(Poller(ASK, 0.0), 7.0, answers) == [5.8, 6.8]


def test_endless_line_ends_are_no_answer():
    """A scale that was asked too fast answers with them; asking it more slowly is the cure."""
    ends = {round(0.05 * n, 2): b"\r\n" for n in range(400)}
    assert asked(Poller(ASK, 0.0), 14.0, ends)[-3:] == [8.0, 10.0, 12.0]
