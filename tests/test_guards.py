"""The guards themselves: each has to find what it is there for, in a pytest run of its own."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest_plugins = ["pytester"]

INI = """
[pytest]
addopts = -p guards --import-mode=importlib
asyncio_mode = strict
asyncio_default_fixture_loop_scope = function
markers = blocks(reason): as in pyproject.toml
"""


def run(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch, source: str) -> pytest.RunResult:
    """Run one test file under the guards, in a process of its own."""
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent))
    pytester.makeini(INI)
    pytester.makepyfile(source)
    return pytester.runpytest_subprocess("-p", "no:cacheprovider")


def test_skipped_test_fails_and_names_its_reason(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> None:
    """A skip inside a test, by mark and of a whole file all count as failures."""
    result = run(
        pytester,
        monkeypatch,
        """
        import pytest

        def test_inside():
            pytest.skip("no broker here")

        @pytest.mark.skip(reason="too slow today")
        def test_marked():
            pass
        """,
    )
    result.assert_outcomes(failed=1, errors=1)
    result.stdout.fnmatch_lines_random(["*no broker here*", "*too slow today*"])


def test_file_that_skips_itself_fails(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> None:
    """A module-level skip is an error of collection."""
    source = "import pytest\npytest.importorskip('no_such_package_anywhere')\n"

    result = run(pytester, monkeypatch, source)

    assert result.ret != 0
    result.stdout.fnmatch_lines(["*skipped itself*no_such_package_anywhere*"])


def test_task_left_behind_fails(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> None:
    """A task that outlives its coroutine test is named; one that a fixture owns is not."""
    result = run(
        pytester,
        monkeypatch,
        """
        import asyncio, pytest, pytest_asyncio

        @pytest_asyncio.fixture
        async def server():
            task = asyncio.create_task(asyncio.sleep(60), name="server")
            yield
            task.cancel()

        @pytest.mark.asyncio
        async def test_clean(server):
            await asyncio.create_task(asyncio.sleep(0.05))

        @pytest.mark.asyncio
        async def test_leaves(server):
            test_leaves.kept = asyncio.create_task(asyncio.sleep(60), name="forgotten")
        """,
    )
    result.assert_outcomes(passed=1, failed=1)
    result.stdout.fnmatch_lines(["*tasks left behind: forgotten*"])


def test_held_up_loop_fails(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> None:
    """A callback that sleeps is found, unless the test says why it may."""
    result = run(
        pytester,
        monkeypatch,
        """
        import time, pytest

        @pytest.mark.asyncio
        async def test_holds_up():
            time.sleep(0.6)

        @pytest.mark.asyncio
        @pytest.mark.blocks("shows that the mark works")
        async def test_may():
            time.sleep(0.6)
        """,
    )
    result.assert_outcomes(passed=1, failed=1)
    result.stdout.fnmatch_lines(["*the event loop was held up: 0.6*"])


def test_thread_and_process_left_running_fail(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both are named; the finished ones are not."""
    result = run(
        pytester,
        monkeypatch,
        """
        import subprocess, sys, threading

        stop = threading.Event()

        def test_thread():
            threading.Thread(target=stop.wait, args=(4,), name="forgotten", daemon=True).start()

        def test_process():
            stop.set()
            test_process.kept = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(3)"])

        def test_clean():
            thread = threading.Thread(target=int)
            thread.start()
            subprocess.run([sys.executable, "-c", ""], check=True)
        """,
    )
    result.assert_outcomes(passed=3, errors=2)
    result.stdout.fnmatch_lines_random(["*left running: thread forgotten*", "*left running: process * time.sleep(3)*"])
