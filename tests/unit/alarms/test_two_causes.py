"""Two people report different causes of one lockout: both stand, both are told of, and neither wipes the other."""

from __future__ import annotations

from pydantic import TypeAdapter

from nightrake.alarms.accountwords import lockout_words
from nightrake.alarms.lockout import Lockout, LockoutRules, Report, on_shutdown, on_step
from nightrake.alarms.lockoutcause import LONGEST, MOST
from nightrake.alarms.lockoutsteps import LockoutStep, Said
from nightrake.alarms.rights import Who
from nightrake.alarms.told import Fact, Moment
from nightrake.domain.rows import Entry
from nightrake.page.people import People

FITTER = Who("fitter1", "maintenance", "signature")
NIGHT = Who("night1", "operator", "page session")
RULES = LockoutRules(causes=("ice", "foreign object"))
CAUSE = LockoutStep.CAUSE


class Drive:
    """PC1's lockout after a shutdown, and every row of it."""

    def __init__(self) -> None:
        self.held, self.rows = Lockout("PC1"), list[Entry]()
        self.trip()

    def trip(self) -> None:
        """A shutdown."""
        self.held, told = on_shutdown(self.held, "PC1/forward/shutdown_contact 1", 1_000)
        self.rows += told

    def says(self, who: Who, cause: str = "", remark: str = "") -> str:
        """One report of a cause; the answer."""
        said = Said(cause=cause, remark=remark)
        self.held, told, answer = on_step(self.held, RULES, CAUSE, who, said, 0, 2_000)
        self.rows += told
        assert answer.ok
        return answer.text

    def causes(self) -> list[tuple[str, str]]:
        """By whom, and which, in order."""
        found = sorted(self.held.reports.values(), key=lambda r: r.order)
        return [(r.by, r.detail["cause"]) for r in found if r.step is CAUSE]


def test_second_hears_of_the_first_and_both_stand() -> None:
    """Whose cause stands, that theirs is beside it, and what to do; the release has a cause either way."""
    drive = Drive()
    assert "another" not in drive.says(FITTER, "ice", "in the launder")

    text = drive.says(NIGHT, "foreign object", "a plank")

    assert "another cause stands: 'ice' by fitter1; yours is recorded beside it" in text
    assert "whoever erred reports anew" in text
    assert drive.causes() == [("fitter1", "ice"), ("night1", "foreign object")]
    last = drive.held.last(CAUSE)
    assert last is not None
    assert last.by == "night1"


def test_journal_tells_both() -> None:
    """Each row has its own cause; the second's names the one beside which it was recorded, in words too."""
    drive = Drive()
    drive.says(FITTER, "ice")
    drive.says(NIGHT, "foreign object")

    first, second = drive.rows[-2:]
    assert (first.data["cause"], first.data.get("beside")) == ("ice", None)
    assert (second.data["cause"], second.data["beside"]) == ("foreign object", "'ice' by fitter1")
    words = lockout_words(Fact(2, Moment("boot", 0, 2_000), second.kind, second.event, "PC1", "", second.data))
    assert words == "night1 (operator): cause 'foreign object', beside 'ice' by fitter1."


def test_same_cause_is_no_other() -> None:
    """In large or small letters: nothing is to be settled."""
    drive = Drive()
    drive.says(FITTER, "ice")

    assert "another" not in drive.says(NIGHT, "Ice")


def test_who_reports_anew_settles_it() -> None:
    """Their own goes, and they hear which; the other's stays."""
    drive = Drive()
    drive.says(FITTER, "ice")
    drive.says(NIGHT, "foreign object")

    text = drive.says(NIGHT, "ice")

    assert "it takes the place of your 'foreign object'" in text
    assert "another" not in text
    assert drive.causes() == [("fitter1", "ice"), ("night1", "ice")]


def test_remark_alone_is_added_to_ones_own() -> None:
    """Not to the other person's, though that came later; who has given none adds to the last."""
    drive = Drive()
    drive.says(FITTER, "ice")
    drive.says(NIGHT, "foreign object")

    drive.says(FITTER, remark="a finger thick")
    drive.says(Who("super1", "supervisor", "signature"), remark="seen it too")

    assert drive.causes() == [("night1", "foreign object"), ("fitter1", "ice"), ("super1", "ice")]
    assert drive.held.reports["cause/fitter1"].remark == "a finger thick"


def test_causes_of_before_a_further_shutdown_are_old_and_go_with_the_next() -> None:
    """They were another trip's: nobody is told of them, and with the next cause only that one is on record."""
    drive = Drive()
    drive.says(FITTER, "ice")
    drive.says(NIGHT, "foreign object")
    drive.trip()
    assert drive.held.last(CAUSE) is None

    text = drive.says(NIGHT, "ice")

    assert "another" not in text
    assert "takes the place" not in text
    assert drive.causes() == [("night1", "ice")]


def test_many_and_long_causes_make_no_long_sentence() -> None:
    """A few are named, each cut; how many more there are is said."""
    drive = Drive()
    for number in range(MOST + 3):
        drive.says(Who(f"p{number}", "operator", "signature"), f"{number}" * 400)

    text = drive.says(FITTER, "ice")

    assert ", 3 more; yours is recorded" in text
    assert f"'{'7' * LONGEST}' by p7" in text
    assert len(str(drive.rows[-1].data["beside"])) < MOST * (LONGEST + 20)
    assert len(drive.causes()) == MOST + 4


def test_lockout_kept_before_causes_were_each_persons_goes_on() -> None:
    """One cause under the step's own name: it is the first person's, whose next takes its place."""
    drive = Drive()
    old = Report(CAUSE, 1, "fitter1", "maintenance", 1_500, "", {"cause": "ice"})
    drive.held = drive.held._replace(order=1, reports={"cause": old})
    kept = TypeAdapter(Lockout)
    drive.held = kept.validate_json(kept.dump_json(drive.held))

    assert "'ice' by fitter1" in drive.says(NIGHT, "foreign object")
    drive.says(FITTER, "foreign object")

    assert drive.causes() == [("night1", "foreign object"), ("fitter1", "foreign object")]


def test_page_has_the_name_in_place_of_the_id() -> None:
    """As in every other sentence of the watch."""
    people = People({"fitter1": {"name": "Maintenance fitter"}, "p2": {"name": "Bo Day"}})
    text = "cause: recorded; another cause stands: 'ice' by fitter1, 'sand' by p2; yours is recorded beside it"

    assert "'ice' by Maintenance fitter, 'sand' by Bo Day; yours" in people.in_words(text)
    assert people.in_words("'ice' by fitter1") == "'ice' by Maintenance fitter"
