import pytest

from keymapper.errors import InputError
from keymapper.formats.folder import find_recordings


def test_recordings_come_in_the_order_that_people_count_in(tmp_path):
    names = ["hit10.wav", "hit2.wav", "hit1.wav", "02/b.wav", "1/a.wav", "bell.wav"]
    for name in names:
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.touch()
    assert find_recordings(tmp_path).recordings == (
        "1/a.wav",
        "02/b.wav",
        "bell.wav",
        "hit1.wav",
        "hit2.wav",
        "hit10.wav",
    )


def test_a_folder_without_recordings_says_why_files_are_none(tmp_path):
    (tmp_path / "notes.txt").touch()
    with pytest.raises(InputError, match=r"holds no audio file \(WAV"):
        find_recordings(tmp_path)
    for name in ("song.mp3", "tune.wma"):
        (tmp_path / name).touch()
    why = r"song\.mp3: not a WAV, AIFF, FLAC or OGG file, and 1 more"
    with pytest.raises(InputError, match=why):
        find_recordings(tmp_path)
