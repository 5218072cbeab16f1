import json
import os
import re
import subprocess
import tracemalloc
from fractions import Fraction
from pathlib import Path

import numpy as np
import opentimelineio as otio
import pytest
import simplejpeg

from lapsed.clip import exchange
from lapsed.clip.conform import Turn, conform
from lapsed.clip.editlist import EditList, edit
from lapsed.clip.exchange import keep, read
from lapsed.clip.shape import shape
from lapsed.errors import UserError
from lapsed.settings import Clip

NAMES = ["frames/1 'a'.jpg", "frames/2 %d.jpg", "frames/3 ü%.jpg"]
TURNS = (Turn(0, 3), Turn(0, 1, 0.25), Turn(1, 2), Turn(2, 6))


def planned(rate: Fraction = Fraction(24000, 1001)) -> EditList:
    clip = Clip(name="wide", size_px=(64, 36), rate=rate, between="dissolve")
    return edit(NAMES, (96, 64), 1, shape((96, 64), clip), clip, turns=TURNS, captions={NAMES[0]: "Layer 1"})


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "frames").mkdir()
    for number, name in enumerate(NAMES):
        picture = np.full((64, 96, 3), 40 + 80 * number, np.uint8)
        (tmp_path / name).write_bytes(simplejpeg.encode_jpeg(picture, quality=100))
    (tmp_path / "clips").mkdir()
    return tmp_path


def test_opentimelineio_s_own_reader_finds_the_frames_and_their_times(folder: Path) -> None:
    keep(planned(), folder, folder / "clips")
    timeline = otio.adapters.read_from_file(str(folder / "clips" / "wide.otio"))
    (track,) = timeline.video_tracks()
    assert timeline.name == "wide"
    assert [type(item).__name__ for item in track] == ["Clip", "Transition", "Clip", "Clip"]
    clips = list(track.find_clips())
    rate = 24000 / 1001
    assert [clip.trimmed_range().duration.to_frames() for clip in clips] == [4, 2, 6]
    assert track.duration() == otio.opentime.RationalTime(12, rate)
    for clip, name in zip(clips, NAMES, strict=True):
        path = otio.url_utils.filepath_from_url(clip.media_reference.target_url)
        assert (folder / "clips" / path).resolve() == folder / name
        assert clip.trimmed_range().duration.rate == rate
    pieces = clips[0].metadata["lapsed"]["pieces"]
    assert [(piece["shows"], piece["caption"]) for piece in pieces] == [(3, "Layer 1"), (1, "Layer 1")]
    assert dict(pieces[1]["mix"]) == {"frame": NAMES[1], "share": 0.25}
    assert list(pieces[0]["crop"]) == [0, 4, 96, 54]


def test_dissolves_are_transitions_that_opentimelineio_itself_can_expand(folder: Path) -> None:
    clip = Clip(name="wide", size_px=(64, 36), between="dissolve", length_s=1, hold_end_s=0)
    turns = conform(clip, len(NAMES))
    keep(edit(NAMES, (96, 64), 1, shape((96, 64), clip), clip, turns=turns), folder, folder / "clips")
    (track,) = otio.adapters.read_from_file(str(folder / "clips" / "wide.otio")).video_tracks()
    kinds = [type(item).__name__ for item in track]
    assert kinds == ["Clip", "Transition", "Clip", "Transition", "Clip"]
    shown = [item.trimmed_range().duration.to_frames() for item in track if isinstance(item, otio.schema.Clip)]
    mixed = [sum(turn.shows for turn in turns if turn.index == index and turn.share) for index in range(2)]
    assert sum(shown) == 25
    for transition, frames in zip((track[1], track[3]), mixed, strict=True):
        assert transition.transition_type == "SMPTE_Dissolve"
        assert (transition.in_offset.to_frames(), transition.out_offset.to_frames()) == (frames, 0)
    for item in track.find_clips():
        whole, used = item.media_reference.available_range, item.trimmed_range()
        assert whole.start_time <= used.start_time
        assert used.end_time_exclusive() <= whole.end_time_exclusive()
    # The library's own reading of what a transition takes from either side, in media time.
    expanded = otio.algorithms.track_with_expanded_transitions(track)
    before, (fading, transition, coming), after, *_ = expanded
    assert before.trimmed_range().duration.to_frames() == shown[0] - mixed[0]
    assert fading.trimmed_range().duration.to_frames() == mixed[0]
    assert coming.trimmed_range() == otio.opentime.TimeRange(
        otio.opentime.RationalTime(0, 25), otio.opentime.RationalTime(mixed[0], 25)
    )
    assert coming.media_reference.target_url == after.media_reference.target_url


def test_debian_s_ffmpeg_reads_the_concat_list(folder: Path) -> None:
    keep(planned(Fraction(25)), folder, folder / "clips")
    command = [
        "ffmpeg",
        "-v",
        "error",
        "-f",
        "concat",
        "-safe",
        "0",
        "-i",
        "wide.ffconcat",
        "-vf",
        "fps=25,format=gray",
    ]
    done = subprocess.run(
        [*command, "-f", "rawvideo", "-"], cwd=folder / "clips", capture_output=True, check=True, timeout=60
    )
    frames = np.frombuffer(done.stdout, np.uint8).reshape(-1, 64, 96)
    assert [round(int(frame[32, 48]) / 80 - 0.5) for frame in frames[:12]] == [0] * 4 + [1] * 2 + [2] * 6
    assert len(frames) in (12, 13)  # the last frame's second naming may count as one more


def test_a_take_keeps_its_edit_lists_wherever_the_clip_goes(folder: Path, tmp_path: Path) -> None:
    (folder / "take.db").touch()
    out = tmp_path / "out"
    out.mkdir()
    assert keep(planned(), folder, out) == ()
    assert read(folder / "clips" / "wide.edit.json") == read(out / "wide.edit.json") == planned()
    assert sorted(path.name for path in out.iterdir()) == ["wide.edit.json", "wide.ffconcat", "wide.otio"]


@pytest.mark.parametrize("way", ["clips is a file", "clips is full"])
def test_a_take_that_can_t_be_written_to_is_told_and_the_clip_goes_on(
    folder: Path, tmp_path: Path, way: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "take.db").touch()
    out = tmp_path / "out"
    out.mkdir()
    if way == "clips is a file":
        (folder / "clips").rmdir()
        (folder / "clips").touch()
    else:
        whole = exchange.whole_or_nothing

        def refusing(path: Path):
            if path.parent == folder / "clips":
                raise UserError("no room")
            return whole(path)

        monkeypatch.setattr(exchange, "whole_or_nothing", refusing)
    (told,) = keep(planned(), folder, out)
    assert told == f"the edit list of wide is in {out} only: the take can't be written to"
    assert read(out / "wide.edit.json") == planned()


def test_a_plain_folder_is_left_alone_when_the_clip_goes_elsewhere(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    assert keep(planned(), folder, out) == ()
    assert list((folder / "clips").iterdir()) == []


def test_the_json_is_the_same_each_time_and_names_its_version(folder: Path) -> None:
    keep(planned(), folder, folder / "clips")
    first = (folder / "clips" / "wide.edit.json").read_bytes()
    keep(planned(), folder, folder / "clips")
    assert (folder / "clips" / "wide.edit.json").read_bytes() == first
    assert json.loads(first)["version"] == 1


def test_what_can_t_be_read_is_said_with_its_name(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"cannot read .*none\.json: No such file"):
        read(tmp_path / "none.json")
    (tmp_path / "a.json").write_bytes(b"\xff\xfe")
    with pytest.raises(UserError, match=r"a\.json is not an edit list: it is not text in UTF-8"):
        read(tmp_path / "a.json")
    (tmp_path / "b.json").write_text("{}")
    with pytest.raises(UserError, match=rf"{re.escape(os.fspath(tmp_path))}/b\.json: not an edit list: clip"):
        read(tmp_path / "b.json")


def test_edit_lists_are_written_without_the_whole_text_of_them_in_memory(folder: Path) -> None:
    def peak(turns: int) -> int:
        clip = Clip(name="wide", size_px=(64, 36))
        shown = [Turn(number % 2, 1) for number in range(turns)]
        long = edit(NAMES, (96, 64), 1, shape((96, 64), clip), clip, turns=shown)
        tracemalloc.start()
        keep(long, folder, folder / "clips")
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most

    peak(10)  # what is made once
    assert 100_000 * (peak(1200) - peak(200)) / 1000 < 10_000_000
