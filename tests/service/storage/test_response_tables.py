"""Tables of microphone responses, as makers and laboratories write them."""

import pytest

from service.errors import DocumentError
from service.storage.response_tables import read_response

ROWS = [(20 * 2.0**k, 0.1 * k) for k in range(11)]


def write(tmp_path, between, *, head="", phase=False, ending="\n"):
    """Write the rows with something between columns."""
    path = tmp_path / "mic.txt"
    lines = [between.join(map(str, (*row, -3.0) if phase else row)) for row in ROWS]
    path.write_bytes((head + ending.join(lines) + ending).encode())
    return path


@pytest.mark.parametrize("between", ["\t", " ", ",", " ; ", ", "])
@pytest.mark.parametrize("phase", [False, True])
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_usual_layouts_are_read(tmp_path, between, phase, ending):
    """Blanks, commas and semicolons, with or without phase, with any line ends and remarks."""
    head = '# a remark\n* another\n"and a title"\n\n'
    path = write(tmp_path, between, head=head, phase=phase, ending=ending)

    response = read_response(path, calibrated_at_hz=1280.0)

    assert response.frequency_hz == pytest.approx([row[0] for row in ROWS])
    # relative to the calibration's frequency, where the response counts as nothing
    assert response.response_db == pytest.approx([row[1] - 0.6 for row in ROWS])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("20 0\n1000 zero\n", "Line 2"),
        ("20 0\n1000 0 0\n", "Line 2"),
        ("", "rows"),
        ("# nothing\n", "rows"),
        ("1000 0\n2000 0\n", "covers"),
        ("20 0\n20000 0\n", "nothing between"),
        ("1\n2\n", "columns"),
    ],
)
def test_unusable_tables_are_refused_in_a_sentence(tmp_path, text, words):
    """What is wrong and in which line of which file."""
    path = tmp_path / "mic.txt"
    path.write_text(text)

    with pytest.raises(DocumentError, match=words) as error:
        read_response(path, calibrated_at_hz=1000.0)

    assert "mic.txt" in str(error.value)


def test_a_table_that_is_not_there(tmp_path):
    """A missing table is named."""
    with pytest.raises(DocumentError, match=r"no microphone table .*nothing\.txt"):
        read_response(tmp_path / "nothing.txt", calibrated_at_hz=1000.0)
