"""Joining: tracks that were encoded one after another become one movie, without encoding again."""

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import av
from av.container import InputContainer, OutputContainer
from av.video.stream import VideoStream

from lapsed.clip.codec import CODECS
from lapsed.clip.editlist import EditList
from lapsed.clip.encoder import start_label
from lapsed.clip.labels import Tags

_HEADER_BYTES = 100_000
_A_FRAME_BYTES = 40


def join(parts: Sequence[Path], edit: EditList, tags: Tags, out: Path) -> None:
    """Write the packets of `parts`, in order, to `out`, with its tags and a timecode track where its rate has one.

    The header stands first, so that players start before they have read the whole; room for it is kept, which saves
    writing everything twice.
    """
    codec = CODECS[edit.codec]
    room = _HEADER_BYTES + _A_FRAME_BYTES * edit.frames
    options = {"movflags": "+write_colr", "moov_size": str(room)}
    with av.open(str(out), "w", format=codec.container, options=options) as movie:
        movie.metadata.update(tags.as_metadata())
        stream: VideoStream | None = None
        done = 0
        for part in parts:
            with av.open(str(part)) as track:
                if stream is None:
                    stream = _like(movie, track, edit)
                done += _append(movie, stream, track, done, edit.rate)


def _like(movie: OutputContainer, track: InputContainer, edit: EditList) -> VideoStream:
    # Opaque: nothing is to be encoded, and not every decoder's name is an encoder's too.
    stream = movie.add_stream_from_template(track.streams.video[0], opaque=True)
    stream.time_base = 1 / edit.rate
    stream.codec_context.framerate = edit.rate  # without it the timecode has no rate to count by
    tag = CODECS[edit.codec].tag
    if tag is not None:
        stream.codec_context.codec_tag = tag
    label = start_label(edit)
    if label is not None:
        stream.metadata["timecode"] = label
    return stream


def _append(movie: OutputContainer, stream: VideoStream, track: InputContainer, start: int, rate: Fraction) -> int:
    """Write the packets of `track` so that its first frame is number `start`; how many there are."""
    count = 0
    for packet in track.demux(video=0):
        if packet.pts is None or packet.dts is None or packet.time_base is None:
            continue  # the packet of nothing that ends a track
        tick = packet.time_base * rate
        packet.pts, packet.dts = start + round(packet.pts * tick), start + round(packet.dts * tick)
        packet.duration, packet.time_base = 1, 1 / rate
        packet.stream = stream
        movie.mux(packet)
        count += 1
    return count
