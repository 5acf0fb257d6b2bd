import os
import re
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from bench_doubles import HandClock

from service.bench.hardware.programs import (
    MOST_BYTES,
    Programs,
    check_command,
    check_pattern,
    number_in,
)
from service.errors import HardwareFault, SettingsError

WAIT_S = 10.0


def python(code: str) -> list[str]:
    """Return a command that runs code in an interpreter that starts quickly."""
    return [sys.executable, "-I", "-S", "-c", code]


def counting(path: Path) -> list[str]:
    """Return a command that counts how often it was run."""
    code = f"p = {str(path)!r}; open(p, 'a').write('x'); print(len(open(p).read()))"
    return python(code)


def is_gone(pid: int) -> bool:
    """Return whether a process of nobody is at its end, soon."""
    shown = ["ps", "-o", "stat=", "-p", str(pid)]
    pause = threading.Event()
    for _ in range(100):
        state = subprocess.run(shown, capture_output=True, text=True, check=False).stdout
        if state.strip()[:1] in {"", "Z"}:  # whoever adopts it may not have taken note of it yet
            return True
        pause.wait(0.05)
    return False


def test_arguments_arrive_as_they_are() -> None:
    """No shell looks at them: spaces, signs and braces are one argument each."""
    strange = ["a b", "$HOME", "*", "; echo x", "{}", "ü", '"']

    printed = Programs().run([*python("import sys; print(sys.argv[1:])"), *strange], WAIT_S)

    assert printed.strip() == repr(strange)


def test_programs_speak_one_language(monkeypatch: pytest.MonkeyPatch) -> None:
    """Numbers and words come as in the C locale, whatever the user has set."""
    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")

    assert Programs().run(python("import os; print(os.environ['LC_ALL'])"), WAIT_S) == "C\n"


def test_an_answer_is_good_for_a_second(tmp_path: Path) -> None:
    """Several values of one program take one run, and a run that changes something ends that."""
    clock = HandClock()
    programs, command = Programs(clock=clock), counting(tmp_path / "runs")

    assert programs.answer(command, WAIT_S) == "1\n"
    clock.now_s += 0.9
    assert programs.answer(command, WAIT_S) == "1\n"
    clock.now_s += 0.1
    assert programs.answer(command, WAIT_S) == "2\n"
    programs.run(python(""), WAIT_S)
    assert programs.answer(command, WAIT_S) == "3\n"
    programs.forget()
    assert programs.answer(command, WAIT_S) == "4\n"


def test_a_failure_is_kept_for_a_second_too(tmp_path: Path) -> None:
    """A program that fails is not run again at every look."""
    programs = Programs(clock=HandClock())
    command = counting(tmp_path / "runs")
    command[-1] += "; raise SystemExit(4)"

    for _ in range(2):
        with pytest.raises(HardwareFault, match="failed with status 4"):
            programs.answer(command, WAIT_S)

    assert (tmp_path / "runs").read_text() == "x"


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (
            "import sys; sys.exit('hub 1:\\n\\tno  answer')",
            r"status 1, saying 'hub 1: no answer'; ",
        ),
        ("print('on stdout'); raise SystemExit(2)", "status 2, saying 'on stdout'; try it by hand"),
        ("raise SystemExit(3)", "failed with status 3; try it by hand"),
        ("import sys; sys.exit('x' * 9999)", r"x{190,}\.\.\.'"),
    ],
)
def test_a_failing_program_is_told_with_its_words(code: str, words: str) -> None:
    """Status and words stand in one bounded sentence."""
    with pytest.raises(HardwareFault, match=words) as caught:
        Programs().run(python(code), WAIT_S)

    assert str(caught.value).endswith(".")
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 600


@pytest.mark.skipif(os.name == "nt", reason="Windows knows no signals that end a program")
def test_a_killed_program_is_told_so() -> None:
    """A program that a signal ended did not do its work."""
    with pytest.raises(HardwareFault, match="failed with signal 9"):
        Programs().run(python("import os; os.kill(os.getpid(), 9)"), WAIT_S)


@pytest.mark.parametrize("name", ["/nowhere/tool", "", "no-such-tool-anywhere"])
def test_a_missing_program_is_a_fault(name: str) -> None:
    """What cannot be started is told with the reason."""
    with pytest.raises(HardwareFault, match="cannot be started"):
        Programs().run([name, "x"], WAIT_S)


def test_a_hung_program_is_killed_with_what_it_started(tmp_path: Path) -> None:
    """After its time it and its children are gone, and its last words are told."""
    pid_file = tmp_path / "pid"
    child = "import time; time.sleep(60)"
    code = (
        f"import subprocess, sys, time; p = subprocess.Popen([sys.executable, '-c', {child!r}])\n"
        f"open({str(pid_file)!r}, 'w').write(str(p.pid)); print('waiting', flush=True)\n"
        "time.sleep(60)"
    )

    with pytest.raises(
        HardwareFault, match=r"did not end within 0.5 s and was killed, saying 'waiting'.*time_lim"
    ):
        Programs().run(python(code), 0.5)

    if os.name != "nt":
        assert is_gone(int(pid_file.read_text()))
    assert [t.name for t in threading.enumerate() if t.name.startswith("evenhush")] == []


def test_several_hung_programs_do_not_take_their_time_each() -> None:
    """Once readers hung for 1.5 s within four the next ones get little, until time has passed."""
    clock = HandClock()
    programs, hung = Programs(clock=clock), python("import time; time.sleep(60)")
    programs._reads_hung.add(clock.now_s - 1.0, 1.0)
    programs._reads_hung.add(clock.now_s, 0.5)

    for _ in range(3):
        programs.forget()
        with pytest.raises(HardwareFault, match=r"not end within 0.1 s .*others hung before it"):
            programs.answer(hung, 0.3)
        clock.now_s += 1.0
    clock.now_s += 0.5
    programs.forget()
    with pytest.raises(HardwareFault, match=r"did not end within 0.3 s .*raise time_limit_s"):
        programs.answer(hung, 0.3)


def test_hung_readers_leave_time_to_set() -> None:
    """A sensor's program that hangs does not keep the fans from full speed."""
    programs = Programs()
    programs._reads_hung.add(programs._clock(), 60.0)
    slow = python("import time; time.sleep(0.3); print('set')")

    assert programs.run(slow, WAIT_S) == "set\n"


def test_output_without_end_is_bounded() -> None:
    """A program that babbles on is killed in time, and memory does not grow with it."""
    with pytest.raises(HardwareFault, match=r"did not end within 0.4 s") as caught:
        Programs().run(python("while True: print('y' * 1000)"), 0.4)
    assert len(str(caught.value)) < 600

    printed = Programs().run(python(f"print('y' * {3 * MOST_BYTES})"), WAIT_S)
    assert len(printed) == MOST_BYTES


def test_a_program_that_leaves_another_behind_is_a_fault() -> None:
    """What a program starts and leaves with its output open ends too, and is told."""
    code = (
        "import subprocess, sys; print('done', flush=True)\n"
        "subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(60)'])"
    )

    with pytest.raises(HardwareFault, match="has ended, but something it started keeps its output"):
        Programs().run(python(code), 0.3)


@pytest.mark.parametrize(
    ("printed", "pattern", "number"),
    [
        ("fan 1: duty 43 %, 1210 rpm\n", r"duty (\d+) %", 43.0),
        ("a\nspeed=1.21e3\n", r"speed=(\S+)", 1210.0),
        ("-5.5", "(.*)", -5.5),
        ("duty 40, duty 50", r"duty (\d+)", 40.0),
    ],
)
def test_the_pattern_finds_the_number(printed: str, pattern: str, number: float) -> None:
    """The first match's group is the number."""
    assert number_in(printed, pattern, ["tool"]) == number


@pytest.mark.parametrize(
    ("printed", "words"),
    [
        ("hello\n", r"'tool x' printed 'hello', in which the pattern 'duty \(.*' finds nothing"),
        ("", "printed 'nothing'"),
        ("duty on", "printed 'duty on', of which 'on' is no number"),
        ("duty nan", "'nan' is no number"),
        ("duty inf", "'inf' is no number"),
        ("duty ", "'' is no number"),
    ],
)
def test_other_words_are_a_fault(printed: str, words: str) -> None:
    """What was printed instead stands in the sentence."""
    with pytest.raises(HardwareFault, match=words):
        number_in(printed, "duty (.*)", ["tool", "x"])


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("(", "no regular expression"),
        ("duty", "0 groups"),
        ("(a)(b)", "2 groups and must have one"),
    ],
)
def test_an_unusable_pattern_is_refused(pattern: str, words: str) -> None:
    """A pattern has to be one, with one group."""
    with pytest.raises(SettingsError, match=f"^The pattern .*{words}"):
        check_pattern(pattern, "The pattern")
    check_pattern("(?:a)(b)", "The pattern")


def test_a_program_that_is_not_there_is_refused_beforehand() -> None:
    """Its name is looked up as it would be to run it."""
    check_command([sys.executable], "fan, set_duty")

    with pytest.raises(SettingsError, match=re.escape("fan, set_duty: there is no program 'nope'")):
        check_command(["nope"], "fan, set_duty")
