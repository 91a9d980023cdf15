"""`nightrake operator` and the words of `nightrake send`: each slip is one sentence, and nothing is half done."""

from __future__ import annotations

import re
import shutil
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from argon2.exceptions import VerifyMismatchError

from commanders import KEY_LINES
from nightrake.alarms.rights import MAY
from nightrake.cli.operator_keys import run_add, run_list, run_show
from nightrake.cli.operator_password import run_password
from nightrake.cli.send import Login, broker_of, run_send, wish_of
from nightrake.cli.send_words import VERBS, in_options, send_help
from nightrake.domain.publickey import public_key_of
from nightrake.errors import NightrakeError
from nightrake.messages.broker import EARLY, REFUSED
from nightrake.messages.operatorkey import load_key
from nightrake.messages.signed import ARGS
from nightrake.settings import load
from peers.certificates import Authority

CONFIG = Path(__file__).resolve().parents[3] / "config"
PHRASE = "four words that fit"
LOGIN = Login("", "", "", "")


@pytest.fixture
def phrase(tmp_path: Path) -> Path:
    """A file with a passphrase."""
    file = tmp_path / "phrase"
    file.write_text(f"{PHRASE}\n")
    return file


def typed(monkeypatch: pytest.MonkeyPatch, *answers: str) -> None:
    """Somebody sits at a terminal and types."""
    waiting: Iterator[str] = iter(answers)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("getpass.getpass", lambda prompt: next(waiting))


def test_add_makes_a_key_that_belongs_to_the_line_it_shows(
    tmp_path: Path, phrase: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The private key opens with the passphrase, only its owner may read it, and the shown line is its other half."""
    file = tmp_path / "night1.pem"

    assert run_add(CONFIG, {}, "night1", file, phrase) == 0

    shown = capsys.readouterr().out
    found = re.search(r'^public_key = "(.*)"$', shown, re.MULTILINE)
    assert found
    assert public_key_of(found.group(1)) == load_key(file, PHRASE).public
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert "[person.night1]" in shown
    assert max(map(len, shown.replace(str(file), file.name).splitlines())) <= 80


def test_add_says_that_a_key_is_replaced(tmp_path: Path, phrase: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever has one already learns what becomes of it."""
    run_add(CONFIG, KEY_LINES, "night1", tmp_path / "new.pem", phrase)

    assert "the old one no longer counts" in " ".join(capsys.readouterr().out.split())


def test_add_on_a_machine_without_the_settings(tmp_path: Path, phrase: Path) -> None:
    """A person may make their key where the site's folder is not."""
    assert run_add(tmp_path / "none", {}, "night1", tmp_path / "night1.pem", phrase) == 0


def test_passphrase_is_asked_for_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same both times, or nothing is written."""
    typed(monkeypatch, PHRASE, PHRASE)
    run_add(CONFIG, {}, "night1", tmp_path / "a.pem", None)
    typed(monkeypatch, PHRASE, PHRASE + "!")
    with pytest.raises(NightrakeError, match="differ; nothing was written"):
        run_add(CONFIG, {}, "night1", tmp_path / "b.pem", None)

    assert [p.name for p in tmp_path.glob("*.pem")] == ["a.pem"]


def test_add_refuses_in_one_sentence(tmp_path: Path, phrase: Path) -> None:
    """An unknown person, no id at all, a file that is there, a short passphrase, a place that is not there."""
    short, there = tmp_path / "short", tmp_path / "there.pem"
    short.write_text("hunter2\n")
    there.write_text("x")
    new = tmp_path / "new.pem"
    for person, file, secret, words in (
        ("nihgt1", new, phrase, "did you mean 'night1'?"),
        ("../night1", new, phrase, "is no id of a person"),
        ("night1", there, phrase, "never overwritten"),
        ("night1", new, short, "at least 12 are needed"),
        ("night1", new, tmp_path / "no", "cannot be read"),
        ("night1", tmp_path / "no" / "new.pem", phrase, "cannot be written"),
    ):
        with pytest.raises(NightrakeError, match=re.escape(words)):
            run_add(CONFIG, {}, person, file, secret)

    assert there.read_text() == "x"
    assert not new.exists()


def test_add_without_a_terminal_asks_for_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It does not wait for words that nobody can type."""
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)

    with pytest.raises(NightrakeError, match="--passphrase-file"):
        run_add(CONFIG, {}, "night1", tmp_path / "new.pem", None)


def test_public_key_can_be_shown_again(tmp_path: Path, phrase: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The line that was lost between the making of the key and people.toml."""
    file = tmp_path / "night1.pem"
    run_add(CONFIG, {}, "night1", file, phrase)
    (line,) = re.findall(r"^public_key = .*$", capsys.readouterr().out, re.MULTILINE)

    assert run_show(file, phrase) == 0
    shown = capsys.readouterr().out.splitlines()
    assert shown[0] == line
    assert re.search(r": [0-9a-f]{4}( [0-9a-f]{4}){3}$", shown[1])
    with pytest.raises(NightrakeError, match="cannot be read"):
        run_show(tmp_path / "none.pem", phrase)


def test_list_shows_everybody_and_who_has_a_key(capsys: pytest.CaptureFixture[str]) -> None:
    """Id, role, and a fingerprint that fits on a telephone line."""
    run_list(CONFIG, KEY_LINES)

    lines = {line.split()[0]: line for line in capsys.readouterr().out.splitlines()}
    assert set(lines) == set(load(CONFIG).people)
    assert re.search(r"night1 +operator +key [0-9a-f]{4}( [0-9a-f]{4}){3}$", lines["night1"])
    assert "no key" in lines["day1"]


# --- send -------------------------------------------------------------------------------------------------------------


def test_words_of_the_command_line_become_a_command() -> None:
    """Numbers where numbers belong, dashes as in the other commands, facts in order."""
    wish = wish_of("super1", "lock-exception", ["drive=GT1", "whom=fitter1", "facts=a", "facts=b=c", "limit_s=60"])

    assert (wish.verb, wish.drive, wish.direction) == ("lock_exception", "GT1", "")
    assert wish.args == {"whom": "fitter1", "facts": ["a", "b=c"], "limit_s": 60}


@pytest.mark.parametrize(
    ("verb", "pair", "words"),
    [
        ("acknowlege", "", "did you mean 'acknowledge'?"),
        ("start", "", "unknown command 'start'"),
        ("reset", "PC1", "expected KEY=VALUE"),
        ("reset", "drve=PC1", "did you mean 'drive'?"),
        (
            "acknowledge",
            "foo=1",
            "known: drive, direction, alarm, cause, facts, for_s, limit_s, lock_number, name, occ",
        ),
        ("acknowledge", "foo=1", "reason, remark, whom"),
        ("shelve", "for_s=-5", "for_s=-5: expected a whole number, 0 or more, in seconds"),
        ("acknowledge", "drive=SC2", "acknowledge is about one alarm: give it as 'nightrake alarms' shows it"),
        ("release", "reason=done", "release is about a drive: give it, for instance drive=PC1"),
        ("acknowledge", "occurrence=first", "expected a whole number"),
        ("acknowledge", "occurrence=-1", "expected a whole number"),
        ("acknowledge", "occurrence=1.5", "expected a whole number"),
        ("acknowledge", "occurrence=\u0661", "expected a whole number"),
    ],
)
def test_word_that_means_nothing_is_one_sentence(verb: str, pair: str, words: str) -> None:
    """Before anything is asked for, opened or sent."""
    with pytest.raises(NightrakeError, match=re.escape(words)):
        wish_of("night1", verb, [pair] if pair else [])


def test_send_refuses_before_it_goes_out(tmp_path: Path, phrase: Path) -> None:
    """Nobody named, an unknown person, no key file, a wrong passphrase."""
    file, wrong = tmp_path / "night1.pem", tmp_path / "wrong"
    run_add(CONFIG, {}, "night1", file, phrase)
    wrong.write_text("not this one at all")
    for person, key, secret, words in (
        ("", file, phrase, "--as PERSON"),
        ("nihgt1", file, phrase, "did you mean 'night1'?"),
        ("night1", tmp_path / "none.pem", phrase, "cannot be read"),
        ("night1", file, wrong, "the passphrase is wrong"),
    ):
        with pytest.raises(NightrakeError, match=re.escape(words)):
            run_send(CONFIG, {}, person, "answer", [], key, secret, LOGIN, 1.0)


def test_person_never_comes_to_the_broker_as_the_watch(tmp_path: Path) -> None:
    """Own name, own password, own certificate; only where the broker is comes from the settings."""
    (tmp_path / "pw").write_text("open sesame\n")
    settings = load(CONFIG, {"mqtt.username": "nightrake", "mqtt.password_env": "NONE", "mqtt.ca_file": "ca.pem"})

    plain = broker_of(load(CONFIG), "night1", LOGIN)
    own = broker_of(settings, "night1", Login("", str(tmp_path / "pw"), "n.pem", "n.key"))

    assert (plain.username, plain.password) == ("", "")
    assert (own.username, own.password, own.ca_file) == ("night1", "open sesame", "ca.pem")
    assert (own.cert_file, own.key_file) == ("n.pem", "n.key")
    assert own.client_id != plain.client_id


def test_help_names_every_command_and_every_key() -> None:
    """What `send` takes stands in its help, each with the right keys; nothing stands there that is refused."""
    text = send_help()

    assert set(VERBS) == set(MAY)
    keys = {k for taken in VERBS.values() for k in (taken.about, *taken.keys.split()) if k}
    assert keys == {*ARGS, "drive", "direction"}
    assert all(f"  {verb}" in text for verb in MAY)
    assert max(map(len, text.splitlines())) <= 78


@pytest.mark.parametrize(
    ("text", "shows", "said"),
    [
        ("mqtt.cert_file: there is no file n.crt; correct the path", True, "--cert-file: there is no file n.crt"),
        ("mqtt.key_file: there is no file n.key", True, "--cert-key-file: there is no file n.key"),
        (REFUSED[135], False, "check --user, --password-file and the broker's access rules"),
        (REFUSED[134], False, "check --user and --password-file"),
        (EARLY, False, "or a certificate (--cert-file)?"),
        (EARLY, True, "or another client certificate than that of --cert-file?"),
    ],
)
def test_broker_is_spoken_of_in_the_words_of_send(text: str, shows: bool, said: str) -> None:
    """A person gives options; the settings are those of the watch."""
    words = in_options(text, shows_certificate=shows)

    assert said in words
    assert not re.search(r"mqtt\.(username|cert_file|key_file)", words)


def test_send_says_which_of_its_files_is_missing(tmp_path: Path, phrase: Path) -> None:
    """As an option of this command, before anything is sent."""
    file = tmp_path / "night1.pem"
    run_add(CONFIG, {}, "night1", file, phrase)
    authority = Authority(tmp_path / "ca", "plant")
    sets = {"mqtt.ca_file": str(authority.file)}

    with pytest.raises(NightrakeError, match=r"^--cert-file: there is no file none\.crt"):
        run_send(CONFIG, sets, "night1", "answer", [], file, phrase, Login("", "", "none.crt", "none.key"), 1.0)


# --- passwords for the page ---


def test_password_is_shown_as_the_hash_that_the_settings_take(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Asked for twice without echo; the line fits the folder, and opens with the password and no other."""
    folder = tmp_path / "config"
    shutil.copytree(CONFIG, folder)
    typed(monkeypatch, PHRASE, PHRASE)

    assert run_password(folder, {}, "night1", None) == 0

    shown = capsys.readouterr().out
    (line,) = re.findall(r"^page_password = .*$", shown, re.MULTILINE)
    people = (folder / "people.toml").read_text()
    (folder / "people.toml").write_text(people.replace("[person.night1]\n", f"[person.night1]\n{line}\n"))
    hashed = load(folder).people["night1"].page_password
    assert PasswordHasher().verify(hashed, PHRASE)
    with pytest.raises(VerifyMismatchError):
        PasswordHasher().verify(hashed, PHRASE + "!")
    assert PHRASE not in shown
    assert "[person.night1]" in shown
    assert "no page yet" in shown

    typed(monkeypatch, "other words that fit", "other words that fit")
    assert run_password(folder, {}, "night1", None) == 0
    assert "this one takes its place" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("person", "answers", "words"),
    [
        ("nihgt1", (), "did you mean 'night1'?"),
        ("night1", ("short",), "has 5 characters; at least 8"),
        ("night1", ("x" * 201,), "at most 200"),
        ("night1", ("Passw0rd",), "tried first"),
        ("night1", ("aaaaaaaaaaaa",), "tried first"),
        ("night1", ("xnight1x",), "tried first"),
        ("night1", (PHRASE, PHRASE + " "), "the two passwords differ"),
    ],
)
def test_password_that_is_none_makes_no_hash(
    person: str,
    answers: tuple[str, ...],
    words: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One sentence, and no line that could be put anywhere."""
    typed(monkeypatch, *answers)

    with pytest.raises(NightrakeError, match=re.escape(words)) as caught:
        run_password(CONFIG, {}, person, None)

    assert capsys.readouterr().out == ""
    assert not any(a in str(caught.value) for a in answers)


def test_password_comes_from_a_file_where_nobody_types(phrase: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A line end at its end is not part of it; without a file and a terminal it says what to do."""
    assert run_password(CONFIG, {}, "night1", phrase) == 0
    (hashed,) = re.findall(r'^page_password = "(.*)"$', capsys.readouterr().out, re.MULTILINE)
    assert PasswordHasher().verify(hashed, PHRASE)

    with pytest.raises(NightrakeError, match="no terminal"):
        run_password(CONFIG, {}, "night1", None)
