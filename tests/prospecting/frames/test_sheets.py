"""Lists as files: nothing is left behind of one that fails."""

import io
import tempfile

import pytest

from prospecting.frames.sheets import DoesNotFit, check_length, write_xlsx


@pytest.fixture
def temporary(monkeypatch, tmp_path):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


def lines(end: BaseException | None = None):
    for number in range(300):
        yield ["Title", number]
    if end:
        raise end


@pytest.mark.parametrize("end", [ValueError(), KeyboardInterrupt(), DoesNotFit()])
def test_no_unpacked_copy_is_left_where_writing_fails(temporary, end):
    with pytest.raises(type(end)):
        write_xlsx(io.BytesIO(), [("whole", lines()), ("broken", lines(end))])
    assert not list(temporary.iterdir())


# The broken file is closed once more when it is forgotten.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_nor_where_the_file_itself_can_not_be_written(temporary):
    class Full(io.BytesIO):
        def write(self, data) -> int:
            raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space left"):
        write_xlsx(Full(), [("one", lines()), ("two", lines())])
    assert not list(temporary.iterdir())


def test_nor_where_all_went_well(temporary):
    write_xlsx(io.BytesIO(), [("one", lines()), ("two", lines())])
    assert not list(temporary.iterdir())


def test_the_length_of_a_sheet(monkeypatch):
    monkeypatch.setattr("prospecting.frames.sheets.MOST_SHEET_ROWS", 300)
    write_xlsx(io.BytesIO(), [("just", lines())])
    check_length(299)
    with pytest.raises(DoesNotFit, match="longer than a sheet, which holds 300 lines"):
        check_length(300)
    monkeypatch.setattr("prospecting.frames.sheets.MOST_SHEET_ROWS", 299)
    with pytest.raises(DoesNotFit):
        write_xlsx(io.BytesIO(), [("one too long", lines())])
