"""Two hundred drives on the real page."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from browser.screen import Screen
from browser.works import Works
from integration.site import until

pytestmark = pytest.mark.timeout(120)

DRIVES = 200
BAD = 137


@pytest.fixture(scope="module")
def works(tmp_path_factory: pytest.TempPathFactory, libmodbus_binary: Path) -> Iterator[Works]:
    """Two hundred healthy drives on two PLCs, read four times a second."""
    made = Works(tmp_path_factory.mktemp("many"), libmodbus_binary, plcs=2, per_plc=DRIVES // 2, scan_s=0.25)
    try:
        made.start()
        yield made
    finally:
        made.close()


def test_the_worst_of_two_hundred_comes_first_and_values_move(works: Works, screen: Screen) -> None:
    """Each drive has its strip; one in alarm goes to the top, its torque as read; the calm ones go on moving."""
    screen.sign_in("night1")
    assert len(screen.order()) == DRIVES
    until(lambda: screen.page.locator("#strips > li.t-calm").count() == DRIVES, "all of them calm")
    works.current(BAD, 15_200)
    works.contact(BAD, "alarm", operated=True)
    screen.see(f"#strip-D{BAD}.waits .word", "Alarm")
    until(lambda: screen.order()[0] == f"strip-D{BAD}", "the worst first")
    screen.see(f"#strip-D{BAD} [data-value]", "36.0")
    works.current(3, 12_000)
    screen.see("#strip-D3 [data-value]", "28.0")
    screen.page.click(f"#act-D{BAD} > summary")
    screen.page.click(f"#act-D{BAD} button.main")
    screen.gone(f"#strip-D{BAD}.waits")
    assert sorted(screen.order()) == sorted(f"strip-D{n}" for n in range(DRIVES))


def test_shutdown_goes_before_every_alarm(works: Works, screen: Screen) -> None:
    """Ten drives in alarm, then one is shut down: it stands first, and the line at the top counts them."""
    screen.go()
    for n in range(100, 110):
        works.contact(n, "alarm", operated=True)
    screen.see("#site-now", "10 not acknowledged")
    works.shut_down(150)
    screen.see("#strip-D150 .word", "Shutdown")
    until(lambda: screen.order()[0] == "strip-D150", "the shutdown first")
    until(lambda: set(screen.order()[1:11]) == {f"strip-D{n}" for n in range(100, 110)}, "the alarms behind it")
