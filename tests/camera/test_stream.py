"""The kind `stream`, against servers on loopback: MJPEG over HTTP and by RTSP, and H.264 that has to be decoded."""

import asyncio
import functools
import re
import time

import cv2
import numpy as np
import pytest
import simplejpeg
from pydantic import ValidationError

from lapsed.camera import stream_pixels
from lapsed.camera.flow import Flow, Pace, last_picture
from lapsed.camera.landing import Landing
from lapsed.camera.stream import open_camera
from lapsed.clock import monotonic
from lapsed.errors import RetryError, ShotMissedError
from lapsed.model import Exposed, Landed, Missed, Released, Verdict
from lapsed.settings import StreamCamera
from tests.camera.rtsp import serving
from tests.camera.streams import HEIGHT, WIDTH, streaming

KIND = "lapsed.camera.stream:open_camera"
LIMITS = {"lag_s": 0.1, "exposure_s": 0.01, "ready_within_s": 30.0}


SERVERS = {"mjpeg": streaming, "h264": functools.partial(streaming, h264=True), "rtsp": serving}


@pytest.fixture(params=SERVERS.values(), ids=SERVERS.keys())
def streamer(request):
    with request.param() as made:
        yield made


@pytest.fixture
def opened():
    """Opens streams in this process, and closes them."""
    made = []

    def make(url, **settings):
        part = StreamCamera(**{"kind": "stream", "url": url, **LIMITS, **settings})
        made.append(open_camera(part.model_dump(mode="json")))
        return made[-1]

    yield make
    for kind in made:
        kind.ensure_stopped()


def shoot(kind, folder, shot):
    """One picture: when it was ordered, when its shutter had closed, its grey and its file."""
    told = []
    kind.release(monotonic() + 15, told.append)
    exposed_s = monotonic()
    landing = Landing(folder, f"{shot:06}")
    kind.fetch(landing)
    (name,), _ = landing.land()
    kind.clear()
    return told[0], exposed_s, cv2.imread(str(folder / name)).mean(), folder / name


def test_the_picture_shows_the_scene_as_it_was_after_the_order(streamer, opened, tmp_path):
    streamer.delay_s = 0.1
    kind = opened(streamer.url, lag_s=0.5)  # the pictures' own, and what a busy machine adds to their way
    kind.ensure_ready()
    for shot, pause_s in enumerate((0.0, 0.2, 0.5)):
        time.sleep(pause_s)
        ordered_s, exposed_s, grey, path = shoot(kind, tmp_path, shot)
        assert ordered_s + 0.5 <= exposed_s
        # The shade tells when it was seen; a transport stream comes a picture later than it is sent.
        assert ordered_s <= streamer.seen_at(grey, exposed_s) <= exposed_s
        assert path.suffix == (".png" if streamer.h264 else ".jpg")
        assert cv2.imread(str(path)).shape == (HEIGHT, WIDTH, 3)


def test_pictures_that_waited_while_nobody_read_are_known_by_coming_at_once():
    pace = Pace()
    assert [pace.keeps(0.04) for _ in range(50)][-1]
    # After a stall the queue comes at once; what follows it at the stream's own pace is live again.
    assert [pace.keeps(gap_s) for gap_s in (0.5, 0.0005, 0.0005, 0.0004, 0.04, 0.04)] == [
        True,
        *[False] * 3,
        True,
        True,
    ]


async def test_shots_in_a_worker_land(tend, streamer):
    async with tend(StreamCamera(kind="stream", url=streamer.url, **LIMITS), KIND) as camera:
        await camera.ready()
        ends = [await camera.shoot(number, within_s=15.0) for number in (1, 2)]
    assert [type(end) for end in ends] == [Landed] * 2
    assert camera.stations(2) == [Released, Exposed, Landed]


FAULTS = {
    "hang": (streaming, "hang", "sent no picture in the"),
    "unplug": (streaming, "drop", "the stream of localhost is not to be had: "),
    "cut short": (streaming, "cut", "000002.jpg stops before its end"),
    "unplug by RTSP": (serving, "drop", "the stream of localhost is not to be had: "),
    "last part never sent": (serving, "cut", "sent no picture in the"),
}


@pytest.mark.parametrize(("server", "fault", "reason"), FAULTS.values(), ids=FAULTS.keys())
async def test_a_fault_costs_no_more_than_its_shot(tend, server, fault, reason):
    with server() as streamer:
        part = StreamCamera(kind="stream", url=streamer.url, **LIMITS, expose_within_s=1.5)
        async with tend(part, KIND) as camera:
            await camera.ready()
            assert isinstance(await camera.shoot(1), Landed)
            streamer.fault = fault
            await asyncio.sleep(0.1)
            missed = await camera.shoot(2, within_s=1.5)
            assert isinstance(missed, Missed)
            assert reason in missed.reason
            streamer.fault = "ok"
            assert isinstance(await camera.shoot(3, within_s=20.0), Landed)


def test_pictures_of_no_bytes_are_passed_over_and_the_stream_goes_on(opened):
    with streaming() as streamer:
        kind = opened(streamer.url)
        kind.ensure_ready()
        streamer.fault = "zero"
        assert kind._flow.wait(monotonic() + 0.3, lambda _: False) is None
        streamer.fault = "ok"
        assert kind._flow.wait(monotonic() + 30, lambda arrived: arrived.live) is not None
        assert kind.idle() == kind.ensure_ready()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_stream_that_is_no_longer_read_is_told(opened, monkeypatch):
    monkeypatch.setattr("lapsed.camera.flow.Pace", None)  # whatever it is that fails in the thread
    with streaming() as streamer, pytest.raises(RetryError, match="it broke off"):
        opened(streamer.url).ensure_ready()


def test_a_stream_that_is_silent_is_told_while_idle(opened):
    with streaming() as streamer:
        kind = opened(streamer.url, silent_after_s=0.3)
        assert kind.ensure_ready() == kind.idle() == f"a stream of mjpeg from localhost, {WIDTH}x{HEIGHT}"
        streamer.fault = "hang"
        until_s = monotonic() + 10
        while kind._flow.reason is None:
            assert monotonic() < until_s
            time.sleep(0.02)
        with pytest.raises(RetryError, match="not to be had: it did not answer in time; look at its power"):
            kind.idle()
        with pytest.raises(RetryError, match="did not answer in time"):
            kind.release(monotonic() + 1, lambda _: None)


def test_a_stream_that_is_not_there_is_told_without_its_password(opened):
    with streaming() as streamer:
        streamer.fault = "refuse"
        url = streamer.url.replace("localhost", "ott:tide@localhost")
        with pytest.raises(RetryError, match="the stream of localhost is not to be had") as refused:
            opened(url).ensure_ready()
    assert "tide" not in str(refused.value)
    with pytest.raises(RetryError, match="not to be had: connection refused"):
        opened(url).ensure_ready()


@pytest.mark.parametrize("server", [streaming, serving], ids=["https", "rtsps"])
def test_the_certificate_is_verified(opened, certificate, server):
    with server(certificate / "both.pem") as streamer:
        with pytest.raises(RetryError, match="the stream of localhost is not to be had"):
            opened(streamer.url).ensure_ready()
        kind = opened(streamer.url, ca_file=str(certificate / "cert.pem"))
        assert "a stream of mjpeg" in kind.ensure_ready()


def test_a_stream_by_rtsp_asks_for_user_and_password(opened):
    with serving(login="ott:tide") as streamer:
        with pytest.raises(RetryError, match="the stream of localhost is not to be had") as refused:
            opened(streamer.url.replace("localhost", "ott:ebb@localhost")).ensure_ready()
        assert "ebb" not in str(refused.value)
        kind = opened(streamer.url.replace("localhost", "ott:tide@localhost"))
        assert kind.ensure_ready() == f"a stream of mjpeg from localhost, {WIDTH}x{HEIGHT}"


def test_the_stream_is_looked_over(streamer, opened):
    kind = opened(streamer.url, stills_megapixels=25)
    kind.ensure_ready()
    checks = {check.what: check for check in kind.inspect()}
    assert checks["stream"].found.startswith(
        "h264, 320x240; " if streamer.h264 else "mjpeg, 320x240; each picture is kept"
    )
    assert checks["lag"].verdict is Verdict.WARN
    assert re.match("320x240 is 0.3% of the 25 megapixels", checks["against stills"].found)


def test_a_picture_that_cannot_be_decoded_costs_its_shot(opened, tmp_path):
    with streaming(h264=True) as streamer:
        kind = opened(streamer.url)
        kind.ensure_ready()
        kind.release(monotonic() + 15, lambda _: None)
        kind._taken = type(kind._taken)((b"\x00\x00\x01\x09\x10",), 0.0, live=True)
        with pytest.raises(ShotMissedError, match="the picture that localhost sent can't be decoded"):
            kind.fetch(Landing(tmp_path, "000001"))


@pytest.mark.parametrize("url", ["ftp://localhost/", "/dev/video0"])
def test_an_address_that_is_no_stream_is_refused(url):
    with pytest.raises(ValidationError, match="url"):
        StreamCamera(kind="stream", url=url)


# Green at 75 % in BT.601 and BT.709, limited range; see test_raw_pixels for the sums.
GREENS = {"SD is BT.601": (240, (112, 72, 58)), "HD is BT.709": (720, (133, 63, 52))}


@pytest.mark.parametrize(("height", "ycc"), GREENS.values(), ids=GREENS.keys())
def test_colours_of_a_stream_that_tells_none_are_those_of_its_size(height, ycc):
    import av  # noqa: PLC0415 - for one frame

    sizes = ((height, 320), (height // 4, 320), (height // 4, 320))
    planes = [np.full(size, value, np.uint8) for size, value in zip(sizes, ycc, strict=True)]
    frame = av.VideoFrame.from_ndarray(np.vstack(planes), format="yuv420p")
    rgb = simplejpeg.decode_jpeg(stream_pixels.picture(frame, "jpg"), "RGB")
    assert np.abs(rgb[8, 8].astype(int) - (0, 191, 0)).max() <= 3


RECORDED = {
    "MJPEG in AVI": ("mjpeg", "avi", "yuvj420p"),
    "H.264 in MP4": ("libx264", "mp4", "yuv420p"),
    "H.264 in a transport stream": ("libx264", "ts", "yuv420p"),
    "H.265 in Matroska": ("libx265", "mkv", "yuv420p"),
}


@pytest.mark.parametrize(("codec", "container", "pixels"), RECORDED.values(), ids=RECORDED.keys())
def test_of_a_recorded_file_the_latest_picture_is_its_last(tmp_path, codec, container, pixels):
    import av  # noqa: PLC0415 - for one recording

    path = tmp_path / f"recorded.{container}"
    with av.open(path, "w") as recording:
        video = recording.add_stream(codec, rate=25)
        video.width, video.height, video.pix_fmt, video.gop_size = 160, 120, pixels, 12
        for shade in range(20, 220, 10):
            picture = av.VideoFrame.from_ndarray(np.full((120, 160, 3), shade, np.uint8), format="rgb24")
            recording.mux(video.encode(picture))
        recording.mux(video.encode(None))
    flow = Flow(str(path), 5, 5)
    flow._thread.join()
    assert flow.reason == "it ended"
    latest = flow._latest.packets
    assert len(latest) == 1 if codec == "mjpeg" else 1 < len(latest) <= 12  # since the last key frame, of every twelve
    assert abs(last_picture(flow.nature, latest).to_ndarray(format="gray").mean() - 210) <= 3


def test_an_empty_group_of_pictures_has_no_last_one():
    with streaming(h264=True) as streamer:
        flow = Flow(streamer.url, 5, 5)
        assert flow.wait(monotonic() + 15, lambda _: True)
        assert last_picture(flow.nature, ()) is None
        flow.close()
