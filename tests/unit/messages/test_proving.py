"""Bad commands, each refused with its own reason; good ones; what is done once and remembered."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable
from typing import Any

import pytest

from commanders import KEYS, NOW_MS, SIGNERS, TOPICS, Memory, message, prover, received, signed
from nightrake.messages.broker import Received
from nightrake.messages.proving import BY_KEY, BY_TOPIC, Proved, Signer, Unproved
from nightrake.messages.remembered import PER_PERSON, SLOTS, SPANS, Answered, Remembered

Make = Callable[[], Received]


def changed(**keys: Any) -> Make:
    """A good command in which some keys say something else, signed as it then is."""
    return lambda: received(signed({**message(), **keys}))


def replying(tail: str) -> Make:
    """A command that wants its reply on a topic of the site."""
    return changed(reply_to=f"nightrake/fennmark/{tail}")


def with_args(**args: Any) -> Make:
    """A good command with other arguments."""
    return changed(args=args)


def at(issued_s: float, expires_s: float) -> Make:
    """A command issued and expiring so many seconds from now."""
    from nightrake.messages.payloads import stamp

    return changed(issued=stamp(NOW_MS + round(issued_s * 1000)), expires=stamp(NOW_MS + round(expires_s * 1000)))


def without(key: str) -> Make:
    """A command that lacks a key."""
    return lambda: received({k: v for k, v in signed(message()).items() if k != key})


def raw(text: str | bytes) -> Make:
    """Bytes as they are."""
    return lambda: received(text.encode() if isinstance(text, str) else text)


def spoilt(old: str, new: str) -> Make:
    """A good command whose text was changed after it was signed."""

    def make() -> Received:
        text = json.dumps(message())
        assert old in text
        return received(text.replace(old, new, 1).encode())

    return make


def by(person: str, topic: str) -> Make:
    """A command signed by somebody, sent on somebody's topic in their name."""
    names = {"person": topic, "reply_to": f"nightrake/fennmark/reply/{topic}/x"}
    return lambda: received(signed({**message(), **names}, person), topic)


def padded(length: int) -> Make:
    """A good command made longer by blanks."""

    def make() -> Received:
        text = json.dumps(signed({**message(), "args": {"remark": "x" * 500}})).encode()
        return received(text + b" " * (length - len(text)))

    return make


LONG = "x" * 501
BAD: dict[str, tuple[Make, str, str]] = {
    # bytes
    "empty": (raw(""), "bad_json", "is no JSON"),
    "no JSON": (raw("reset PC1"), "bad_json", "is no JSON"),
    "cut off": (lambda: received(json.dumps(message()).encode()[:-1]), "bad_json", "is no JSON"),
    "two messages": (raw("{}{}"), "bad_json", "is no JSON"),
    "Latin-1": (raw(b'{"id": "\xe4"}'), "bad_json", "is not UTF-8 text"),
    "byte order mark": (raw(b"\xef\xbb\xbf{}"), "bad_json", "is no JSON"),
    "list": (raw("[1, 2]"), "bad_json", "is no JSON object"),
    "nested without end": (raw("[" * 8000), "bad_json", "is no JSON"),
    "number without end": (raw('{"id": ' + "9" * 8000 + "}"), "bad_json", "is no JSON"),
    "key twice": (spoilt('"verb"', '"verb": "reset", "verb"'), "bad_json", "has a key twice"),
    "NaN": (raw('{"args": {"for_s": NaN}}'), "bad_json", "holds NaN"),
    "number with a point": (raw('{"args": {"for_s": 60.5}}'), "bad_json", "only whole numbers"),
    "half a character": (raw(json.dumps({**message(), "drive": "\ud800"})), "bad_json", "lone surrogate"),
    "8 KiB and one byte": (padded(8193), "oversized", "is longer than 8192 bytes"),
    "a megabyte": (raw(b" " * 2**20), "oversized", "is longer than 8192 bytes"),
    "retained": (lambda: received(message(), retained=True), "retained", "publish it without that flag"),
    "retained rubbish": (lambda: received(b"?", retained=True), "retained", "publish it without that flag"),
    # shape
    "unknown key": (changed(priority="urgent"), "unknown_key", "unknown key 'priority'"),
    "unknown argument": (with_args(occurence=1), "unknown_key", "unknown key 'occurence' in 'args'"),
    **{f"no {k}": (without(k), "missing_key", f"lacks the key '{k}'") for k in sorted(message())},
    "verb is a number": (changed(verb=7), "bad_value", "'verb' has to be a text"),
    "drive is null": (changed(drive=None), "bad_value", "'drive' has to be a text"),
    "endless drive": (changed(drive=LONG), "bad_value", "'drive' is longer than 500"),
    "args is a list": (changed(args=[]), "bad_value", "'args' has to be an object"),
    "argument is an object": (with_args(reason={"a": 1}), "bad_value", "'reason' has to be a text, a whole"),
    "argument is true": (with_args(for_s=True), "bad_value", "'for_s' has to be a text, a whole"),
    "argument beyond 2^53": (with_args(occurrence=2**53), "bad_value", "below 2^53"),
    "endless reason": (with_args(reason=LONG), "bad_value", "'reason' is longer than 500"),
    "too many facts": (with_args(facts=["x"] * 21), "bad_value", "'facts' has more than 20"),
    "fact that is a number": (with_args(facts=[1]), "bad_value", "'facts' has to be a text"),
    "short id": (changed(id="1"), "bad_id", "'id' has to be 16 to 64"),
    "id with a blank": (changed(id="0123456789 abcdef"), "bad_id", "'id' has to be 16 to 64"),
    "time without a date": (changed(issued="02:14"), "bad_time", "'issued' has to be UTC such as"),
    "time in another zone": (changed(expires="2026-11-25T02:15:05.123+00:00"), "bad_time", "'expires' has to be UTC"),
    "30 February": (changed(expires="2026-02-30T00:00:00.000Z"), "bad_time", "'expires' has to be UTC"),
    # whose
    "in another's name": (
        lambda: received(message("super1"), "night1"),
        "wrong_person",
        "is from 'super1', on the topic",
    ),
    "on another's topic": (lambda: received(message(), "super1"), "wrong_person", "is from 'night1', on the topic of"),
    "signed for another topic": (by("night1", "super1"), "forged", "not signed like this with the key of super1"),
    "signed with another's key": (by("super1", "night1"), "forged", "not signed like this with the key of night1"),
    "nobody here": (by("night1", "stranger"), "unknown_person", "is from 'stranger', who is nobody here"),
    "without a key": (by("night1", "day1"), "no_key", "for whom no public_key is in the settings"),
    "signed for another site": (
        lambda: received(signed(message(), topic="nightrake/other/command/night1")),
        "forged",
        "not signed like this",
    ),
    "verb changed": (spoilt('"acknowledge"', '"reset"'), "forged", "not signed like this"),
    "occurrence changed": (spoilt('"occurrence": 1', '"occurrence": 2'), "forged", "not signed like this"),
    "expiry changed": (spoilt("02:15:05", "02:16:05"), "forged", "not signed like this"),
    "signature of zeros": (lambda: received({**message(), "signature": "A" * 86 + "=="}), "forged", "not signed"),
    "signature in hex": (
        lambda: received({**message(), "signature": "ab" * 64}),
        "bad_signature",
        "64 bytes in base64",
    ),
    "short signature": (lambda: received({**message(), "signature": "QUJD"}), "bad_signature", "64 bytes in base64"),
    # where to
    "reply to another": (
        replying("reply/super1/x"),
        "bad_reply_to",
        "below nightrake/fennmark/reply/night1/",
    ),
    "reply to everybody": (
        replying("reply/night1/#"),
        "bad_reply_to",
        "has to be a topic below",
    ),
    "reply to nowhere": (
        replying("reply/night1/"),
        "bad_reply_to",
        "has to be a topic below",
    ),
    "reply as an event": (replying("events"), "bad_reply_to", "has to be a topic below"),
    "reply as a command": (replying("command/night1"), "bad_reply_to", "has to be a topic"),
    "reply far below": (replying("reply/night1/a/b/c"), "bad_reply_to", "has to be a topic"),
    # when
    "late": (at(-61, -1), "late", "expired 1 s ago"),
    "late to the millisecond": (at(-60, 0), "late", "expired 0 s ago"),
    "from the future": (at(31, 60), "from_the_future", "was issued 31 s from now"),
    "good for too long": (at(0, 300.001), "too_long", "expires more than 5 minutes ahead"),
    "over before it begins": (at(10, 10), "bad_time", "expires before it was issued"),
    "unknown verb": (changed(verb="start"), "unknown_verb", "asks for 'start', which is no command"),
    "verb in capitals": (changed(verb="RESET"), "unknown_verb", "asks for 'RESET', which is no command"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_command_is_refused_with_its_reason(name: str) -> None:
    """In one word and in a sentence that says what is wrong; a reply goes only where its person may be answered."""
    make, reason, words = BAD[name]
    given = make()
    person = TOPICS.commander_of(given.topic)

    found = prover().prove(person, given)

    assert isinstance(found, Unproved), "it was taken"
    assert found.reason == reason
    assert found.text.startswith("this command ")
    assert words in found.text
    assert "\n" not in found.text
    assert found.place == "" or TOPICS.is_reply_to(found.place, person)
    after_the_signature = ("late", "from_the_future", "too_long", "unknown_verb", "clock_not_trusted", "repeated_id")
    assert found.known_by == (BY_KEY if reason in after_the_signature or "before it begins" in name else BY_TOPIC)


def test_there_are_enough_of_them() -> None:
    """At least forty bad commands, more than twenty different reasons."""
    assert len(BAD) >= 40
    assert len({reason for _, reason, _ in BAD.values()}) >= 17


@pytest.mark.parametrize("name", ["8 KiB and one byte", "retained", "forged", "late", "unknown verb"])
def test_refused_sender_learns_it_where_a_reply_may_go(name: str) -> None:
    """The id and the place of the reply are taken from the message, also where it is refused."""
    make = BAD["verb changed" if name == "forged" else name][0]

    found = prover().prove("night1", make())

    assert isinstance(found, Unproved)
    assert found.place.startswith("nightrake/fennmark/reply/night1/")
    assert found.place.endswith(found.said["id"])


def test_good_commands_are_proved_with_their_role() -> None:
    """At the edges of time too; whatever order the keys have, and however the JSON is written."""
    text = json.dumps(dict(reversed(message().items())), indent=3, ensure_ascii=True).encode()
    good = [received(text), padded(8192)(), at(30, 300)(), at(-299, 0.001)(), received(message("super1"), "super1")]
    good.append(received(message(verb="shelve", args={"reason": 'Räumer "2" \\ \u2028 \x7f\n'})))

    found = [prover().prove(TOPICS.commander_of(g.topic), g) for g in good]

    assert all(isinstance(f, Proved) and f.taken is None for f in found)
    assert [f.role for f in found] == ["operator"] * 4 + ["supervisor", "operator"]


def test_clock_that_cannot_be_believed_takes_nothing() -> None:
    """Without the time a late command cannot be told from one of now."""
    found = prover(trusted=False).prove("night1", received(message()))

    assert isinstance(found, Unproved)
    assert (found.reason, found.known_by, found.role) == ("clock_not_trusted", BY_KEY, "operator")


def test_key_that_was_taken_away_counts_no_longer() -> None:
    """With the reload the old key is nobody's."""
    judge = prover()
    judge.signers = {**SIGNERS, "night1": Signer("operator", KEYS["drives"].public)}

    found = judge.prove("night1", received(message()))

    assert isinstance(found, Unproved)
    assert found.reason == "forged"


# --- once -------------------------------------------------------------------------------------------------------------


def proved(remembered: Remembered, given: dict[str, Any], now_ms: int = NOW_MS) -> Proved | Unproved:
    """Prove one message of the night shift."""
    return prover(now_ms, remembered=remembered).prove("night1", received(given))


def taken(remembered: Remembered, given: dict[str, Any], text: str = "done", now_ms: int = NOW_MS) -> None:
    """Prove one, have it done, answer it."""
    found = proved(remembered, given, now_ms)
    assert isinstance(found, Proved)
    assert found.taken is None
    remembered.take(found.claimed)
    if text:
        remembered.answered(found.claimed, Answered(True, text, True))


def refused(remembered: Remembered, given: dict[str, Any], now_ms: int = NOW_MS) -> str:
    """Why one is refused."""
    found = proved(remembered, given, now_ms)
    assert isinstance(found, Unproved)
    return found.reason


def test_same_command_again_finds_its_first_answer_also_after_a_restart() -> None:
    """Byte for byte the same: it is known; what it was answered is known too."""
    memory, given = Memory(), message()
    taken(Remembered(memory.keep), given, "acknowledged")

    found = proved(Remembered(memory.keep, memory.kept), given, NOW_MS + 59_999)

    assert isinstance(found, Proved)
    assert found.taken is not None
    assert found.taken.answer == Answered(True, "acknowledged", True)


def test_crash_between_doing_and_answering_leaves_it_known_without_an_answer() -> None:
    """It was kept before it was done, so it is not done again."""
    memory, given = Memory(), message()
    taken(Remembered(memory.keep), given, "")

    found = proved(Remembered(memory.keep, memory.kept), given)

    assert isinstance(found, Proved)
    assert found.taken is not None
    assert found.taken.answer is None


@pytest.mark.parametrize("restart", [False, True])
def test_id_used_for_another_command_is_refused(restart: bool) -> None:
    """Whatever else differs, the verb or only where the answer goes; another person may use the same id."""
    memory, given = Memory(), message(id="0123456789abcdef")
    remembered = Remembered(memory.keep)
    taken(remembered, given)
    if restart:
        remembered = Remembered(memory.keep, memory.kept)

    other = signed({**given, "verb": "answer"})
    moved = signed({**given, "reply_to": "nightrake/fennmark/reply/night1/phone"})
    super1 = received(message("super1", id="0123456789abcdef"), "super1")

    assert refused(remembered, other) == refused(remembered, moved) == "repeated_id"
    found = prover(remembered=remembered).prove("super1", super1)
    assert isinstance(found, Proved)
    assert found.taken is None


@pytest.mark.parametrize("restart", [False, True])
def test_clock_set_back_lets_nothing_old_in_again(restart: bool) -> None:
    """What was forgotten after its expiry stays refused when its time comes again; later ones are taken."""
    memory = Memory()
    remembered = Remembered(memory.keep)
    old, other = message(now_ms=NOW_MS), message(now_ms=NOW_MS + 100_000)
    taken(remembered, old)
    taken(remembered, other, now_ms=NOW_MS + 100_000)  # the first one is forgotten here
    if restart:
        remembered = Remembered(memory.keep, memory.kept)

    assert refused(remembered, old, NOW_MS + 1000) == "clock_set_back"
    found = proved(remembered, other, NOW_MS + 71_000)
    assert isinstance(found, Proved)
    assert found.taken is not None
    taken(remembered, message(now_ms=NOW_MS + 2000), now_ms=NOW_MS + 2000)


@pytest.mark.parametrize("restart", [False, True])
def test_clock_that_was_years_ahead_locks_nobody_out(restart: bool) -> None:
    """All clocks of the site followed a wrong server by ten years, and were put right: commands are taken at once, what
    was done before is still refused, and so is what was done then when that time comes."""
    memory, ahead_ms = Memory(), 10 * 365 * 86_400_000
    remembered = Remembered(memory.keep)
    old, then = message(now_ms=NOW_MS), message(now_ms=NOW_MS + ahead_ms)
    taken(remembered, old)
    taken(remembered, then, now_ms=NOW_MS + ahead_ms)  # the first one is forgotten here
    taken(remembered, message(now_ms=NOW_MS + ahead_ms + 400_000), now_ms=NOW_MS + ahead_ms + 400_000)
    if restart:
        remembered = Remembered(memory.keep, memory.kept)

    taken(remembered, message(now_ms=NOW_MS + 700_000), now_ms=NOW_MS + 700_000)
    assert refused(remembered, old, NOW_MS + 1000) == "clock_set_back"
    assert refused(remembered, then, NOW_MS + ahead_ms + 1000) == "clock_set_back"
    taken(remembered, message(now_ms=NOW_MS + 800_000), now_ms=NOW_MS + 800_000)


def test_spans_of_what_was_forgotten_are_bounded() -> None:
    """A clock that jumps every hour for days: the newest spans stay apart, and nothing forgotten is let in again."""
    memory = Memory()
    remembered = Remembered(memory.keep)
    hours = [message(now_ms=NOW_MS + n * 3_600_000) for n in range(60)]
    for n, given in enumerate(hours):
        taken(remembered, given, now_ms=NOW_MS + n * 3_600_000)
        remembered = Remembered(memory.keep, memory.kept)

    assert len(json.loads(next(iter(memory.kept.values())))["forgotten"]) <= SPANS
    for n, given in enumerate(hours[:-1]):
        assert refused(remembered, given, NOW_MS + n * 3_600_000 + 1000) == "clock_set_back"


def test_memory_is_bounded_for_each_person_and_its_slots_are_used_again() -> None:
    """A gateway in a loop is told to wait; others are not; once they have expired there is room, and no new slots."""
    memory = Memory()
    remembered = Remembered(memory.keep)
    for number in range(PER_PERSON):
        taken(remembered, message(id=f"{number:016}"))

    assert refused(remembered, message()) == "too_many"
    found = prover(remembered=remembered).prove("super1", received(message("super1"), "super1"))
    assert isinstance(found, Proved)
    for later_s in range(100, 2000, 100):
        now_ms = NOW_MS + later_s * 1000
        for number in range(PER_PERSON):
            taken(remembered, message(id=f"{later_s + number:016}", now_ms=now_ms), now_ms=now_ms)
    assert len(remembered) == PER_PERSON
    assert len(memory.kept) == PER_PERSON


def test_commands_of_a_clock_that_was_ahead_block_nobody() -> None:
    """They stay remembered for their day; until then people go on, in a memory of the same size."""
    memory, ahead_ms = Memory(), NOW_MS + 10 * 365 * 86_400_000
    remembered = Remembered(memory.keep)
    for number in range(PER_PERSON):
        taken(remembered, message(id=f"{number:016}", now_ms=ahead_ms), now_ms=ahead_ms)

    for number in range(PER_PERSON):
        taken(remembered, message(id=f"{number:016x}later", now_ms=NOW_MS))
    found = proved(remembered, message(id=f"{7:016}", now_ms=ahead_ms), ahead_ms)

    assert isinstance(found, Proved)
    assert found.taken is not None
    assert len(memory.kept) <= SLOTS


@pytest.mark.parametrize(
    "raw_", [b"", b"{}", b"[]", b'{"slot": 5000}', b'{"person": 1}', b"\xff", b"null", b'{"slot": "x", "answer": 1}']
)
def test_damaged_memory_is_a_free_slot(raw_: bytes) -> None:
    """What cannot be read is passed over, and what belongs to others is not looked at."""
    remembered = Remembered(Memory().keep, {"command:5": raw_, "drive:PC1": b"{}", "command:x": raw_})

    assert len(remembered) == 0
    taken(remembered, message())


def test_signature_text_has_one_form_only() -> None:
    """Unused bits at the end of base64 would give one signature several spellings."""
    given = message()
    last = given["signature"][85]
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
    other = letters[letters.index(last) + 1]
    twin = {**given, "signature": f"{given['signature'][:85]}{other}=="}

    assert base64.b64decode(twin["signature"]) == base64.b64decode(given["signature"])
    assert refused(Remembered(Memory().keep), twin) == "bad_signature"


@pytest.mark.parametrize("tail", ["", "a/b", "+", "#", "\u00e4", "a b", "x" * 33, ".canary"])
def test_topic_that_is_nobodys_names_no_person(tail: str) -> None:
    """Nobody can have such an id; whatever comes there is a command's topic all the same, and is dropped."""
    topic = f"nightrake/fennmark/command/{tail}"

    assert TOPICS.is_command(topic)
    assert TOPICS.commander_of(topic) == ""
    assert TOPICS.commander_of("nightrake/other/command/night1") == ""
    assert TOPICS.commander_of(TOPICS.command("night1")) == "night1"
