# SPDX-License-Identifier: MIT
"""What a class guesses: counted without names, bounded, and forgotten with the question."""

from __future__ import annotations

import itertools
import re
import statistics
from collections.abc import Callable

import pytest
from flask.testing import FlaskClient

from webui.faults import PageFault
from webui.lessons import guesses
from webui.lessons.guesses import Guess, Guesses

Writer = Callable[..., int]
MIDDLE = "coil + plunger + spool and passage + pressure"


# -- counting


def test_a_tally_counts_every_guess_once() -> None:
    times = [12.0, 30.0, 31.0, 33.0, 44.0, 300.0]
    found = guesses.tally([*(Guess(ms, "switch") for ms in times), Guess(None, "relay")])
    assert found.n == 7
    assert [tuple(one) for one in found.parts] == [("relay", 1), ("switch", 6)]
    assert sum(one.n for one in found.times) == len(times)
    assert found.median_ms == statistics.median(times)  # the standard library's


def test_bins_lie_side_by_side_and_hold_what_they_say() -> None:
    times = [3.0, 8.0, 8.5, 21.0, 22.0, 23.0, 24.0, 40.0, 41.0, 900.0]
    found = guesses.tally(Guess(ms, None) for ms in times).times
    for before, after in itertools.pairwise(found):
        assert before.to_ms == after.from_ms
    for one in found:
        last = float("inf") if one.to_ms is None else one.to_ms
        assert one.n == sum(one.from_ms <= ms < last for ms in times)
    assert found[-1].to_ms is None, "what lies far out is in the last, open bin"
    assert len(found) <= guesses.BINS + 1


@pytest.mark.parametrize(
    ("least", "width"), [(0.0, 0.1), (0.7, 1.0), (1.0, 1.0), (1.2, 2.0), (4.1, 5.0), (67.0, 100.0)]
)
def test_widths_are_of_the_series_1_2_5(least: float, width: float) -> None:
    """The 1-2-5 series of scales (common practice, no source)."""
    assert guesses.round_width(least) == pytest.approx(width)


def test_nothing_guessed_is_no_tally() -> None:
    assert guesses.tally([]) == guesses.Tally(0, (), (), None)


@pytest.mark.parametrize("name", ["relay", "switch", MIDDLE, "pressure + switch"])
def test_links_in_a_row_are_a_part(name: str) -> None:
    assert guesses.is_part(name)


@pytest.mark.parametrize(
    "name", ["", "valve", "relay + plunger", "switch + relay", "<b>relay</b>", "relay + "]
)
def test_anything_else_is_none(name: str) -> None:
    assert not guesses.is_part(name)


# -- bounds


def test_a_phone_has_one_guess_and_changes_its_mind_a_few_times() -> None:
    kept = Guesses()
    for n in range(guesses.CHANGES_MOST):
        assert kept.take("a phone", Guess(float(n), None)) == 1
    assert kept.all() == [Guess(float(guesses.CHANGES_MOST - 1), None)]
    with pytest.raises(PageFault, match="changed its guess"):
        kept.take("a phone", Guess(1.0, None))


def test_no_more_phones_than_a_class_has() -> None:
    kept = Guesses()
    for n in range(guesses.PHONES_MOST):
        kept.take(f"phone {n}", Guess(1.0, None), f"address {n % 3}")
    with pytest.raises(PageFault) as refused:
        kept.take("one more", Guess(1.0, None), "address 4")
    assert refused.value.status == 429
    assert kept.take("phone 0", Guess(2.0, None)) == guesses.PHONES_MOST  # may still change


def test_one_machine_cannot_take_every_guess_and_forty_phones_of_one_address_can(
    client: FlaskClient, lesson: dict
) -> None:
    code = lesson["code"]
    for n in range(40):
        assert say(phone(client, code), code, question=1, ms=10 + n)[0] == 200
    status, told = say(phone(client, code), code, question=1, ms=999)
    assert status == 429 and "network address" in str(told)
    other = phone(client, code)
    other.environ_base["REMOTE_ADDR"] = "192.0.2.7"  # RFC 5737, for documentation
    assert say(other, code, question=1, ms=50) == (200, {"guesses": 41})
    go(client, lesson, revealed="true")
    go(client, lesson)  # the answer hidden again: the count begins anew
    assert say(phone(client, code), code, question=2, ms=20) == (200, {"guesses": 1})


def test_no_more_at_once_than_are_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [100.0]
    monkeypatch.setattr(guesses.time, "monotonic", lambda: now[0])
    kept = Guesses()
    for n in range(guesses.IN_ALL):
        kept.take(f"phone {n % guesses.OF_AN_ADDRESS}", Guess(1.0, None))
    with pytest.raises(PageFault, match="More guesses come at once"):
        kept.take("phone 0", Guess(1.0, None))
    now[0] += guesses.WITHIN_S
    kept.take("phone 0", Guess(1.0, None))


# -- over the wire


def phone(teacher: FlaskClient, code: str) -> FlaskClient:
    """Another browser, on the pupil's page."""
    other = teacher.application.test_client()
    found = re.search(r'data-csrf="([^"]+)"', other.get(f"/follow/{code}").text)
    assert found is not None
    other.csrf = found.group(1)
    return other


def say(pupil: FlaskClient, code: str, **query: object) -> tuple[int, dict]:
    answer = pupil.post(
        f"/api/lessons/{code}/guess", query_string=query, headers={"X-CSRF": pupil.csrf}
    )
    return answer.status_code, answer.get_json()


@pytest.fixture
def lesson(client: FlaskClient, written: Writer) -> dict:
    run = written(strokes=5)
    page = client.get(f"/runs/{run}/lesson").text
    client.csrf = page.split('data-csrf="')[1].split('"')[0]
    return client.post(f"/api/runs/{run}/lesson/share", headers={"X-CSRF": client.csrf}).get_json()


def go(client: FlaskClient, lesson: dict, **query: object) -> None:
    head = {"X-CSRF": client.csrf, "X-Lesson-Key": lesson["key"]}
    address = f"/api/lessons/{lesson['code']}"
    assert client.post(address, query_string=query, headers=head).status_code == 200


def test_guesses_are_counted_and_shown_only_when_the_teacher_shows_them(
    client: FlaskClient, lesson: dict
) -> None:
    code = lesson["code"]
    first, second = phone(client, code), phone(client, code)
    assert say(first, code, question=1, ms=40, part=MIDDLE) == (200, {"guesses": 1})
    assert say(second, code, question=1, ms=90) == (200, {"guesses": 2})
    assert say(second, code, question=1, ms=80, part="relay") == (200, {"guesses": 2})
    there = first.get(f"/api/lessons/{code}").get_json()
    assert (there["guesses"], there["tally"]) == (2, None)
    mine = client.get(f"/api/lessons/{code}", headers={"X-Lesson-Key": lesson["key"]}).get_json()
    assert mine["tally"]["median_ms"] == 60.0
    go(client, lesson, tally="true")
    there = first.get(f"/api/lessons/{code}").get_json()
    assert there["tally"]["parts"] == [{"name": "relay", "n": 1}, {"name": MIDDLE, "n": 1}]
    assert "who" not in str(there) and first.csrf not in str(there)


def test_no_guess_after_the_answer_or_for_another_question(
    client: FlaskClient, lesson: dict
) -> None:
    code = lesson["code"]
    pupil = phone(client, code)
    assert say(pupil, code, question=2, ms=40)[0] == 409
    go(client, lesson, revealed="true")
    assert say(pupil, code, question=1, ms=40)[0] == 409
    go(client, lesson, stroke=2)
    there = pupil.get(f"/api/lessons/{code}").get_json()
    assert (there["question"], there["guesses"]) == (2, 0)
    assert say(pupil, code, question=2, ms=40)[0] == 200


def test_the_next_question_and_the_end_forget_what_was_guessed(
    client: FlaskClient, lesson: dict
) -> None:
    code = lesson["code"]
    pupil = phone(client, code)
    say(pupil, code, question=1, ms=40)
    kept = client.application.extensions["lessons"].of(code)
    go(client, lesson, way="off")
    assert kept.guesses.all() == []
    say(pupil, code, question=2, ms=40)
    head = {"X-CSRF": client.csrf, "X-Lesson-Key": lesson["key"]}
    client.delete(f"/api/lessons/{code}", headers=head)
    assert say(pupil, code, question=2, ms=40)[0] == 404


@pytest.mark.parametrize(
    "query",
    [{}, {"ms": "nan"}, {"ms": -1}, {"ms": 1e9}, {"part": "valve"}, {"ms": 4, "name": "somebody"}],
)
def test_what_is_no_guess_is_refused(client: FlaskClient, lesson: dict, query: dict) -> None:
    status, body = say(phone(client, lesson["code"]), lesson["code"], question=1, **query)
    assert status == 400 and body["remedy"]


def test_a_page_of_another_site_cannot_guess(client: FlaskClient, lesson: dict) -> None:
    pupil = phone(client, lesson["code"])
    pupil.csrf = "made up"
    assert say(pupil, lesson["code"], question=1, ms=40)[0] == 403


def test_a_lesson_left_alone_is_over_for_its_phones(client: FlaskClient, lesson: dict) -> None:
    from webui.lessons import kept

    pupil = phone(client, lesson["code"])
    client.application.extensions["lessons"].of(lesson["code"]).since_s -= kept.IDLE_S + 1
    assert say(pupil, lesson["code"], question=1, ms=40)[0] == 404
    assert client.application.extensions["lessons"]._kept == {}


@pytest.mark.parametrize("ms", [-5, "nan", 10_001, "soon"])
def test_a_wrong_time_is_told_in_plain_words(client: FlaskClient, lesson: dict, ms: object) -> None:
    status, told = say(phone(client, lesson["code"]), lesson["code"], question=1, ms=ms)
    assert status == 400
    words = "Write a time of 0 ms or more, 10000 at most. Then send it again."
    assert f"{told['what']} {told['remedy']}" == words
