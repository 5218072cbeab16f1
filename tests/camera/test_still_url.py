"""The kind `url`, in real workers, against a server on loopback."""

import pytest
from pydantic import ValidationError

from lapsed.camera.picture import picture_size
from lapsed.camera.still_url import open_camera
from lapsed.errors import RetryError, ShotMissedError, UserError
from lapsed.model import CameraTold, Exposed, Landed, Missed, Released, Verdict
from lapsed.settings import UrlCamera
from tests.camera.webcam import WHOLE, serving

KIND = "lapsed.camera.still_url:open_camera"
LIMITS = {"exposure_s": 0.01, "expose_within_s": 1.0, "fetch_within_s": 2.0, "ready_within_s": 30.0}


@pytest.fixture
def webcam():
    with serving() as made:
        yield made


def part(webcam, **settings):
    return UrlCamera(**{"kind": "url", "url": webcam.url, **LIMITS, **settings})


def opened(webcam, **settings):
    return open_camera(part(webcam, **settings).model_dump(mode="json"))


def shot(kind, folder, within_s=1.0):
    """One picture of a kind in this process; the monotonic reading of its release."""
    from lapsed.camera.landing import Landing  # noqa: PLC0415 - beside its only use
    from lapsed.clock import monotonic  # noqa: PLC0415 - likewise

    told = []
    kind.release(monotonic() + within_s, told.append)
    landing = Landing(folder, f"{len(list(folder.iterdir())) + 1:06}")
    kind.fetch(landing)
    (name,), _ = landing.land()
    assert len(told) == 1
    return (folder / name).read_bytes()


async def test_a_picture_lands_for_each_shot(tend, webcam):
    async with tend(part(webcam), KIND) as camera:
        await camera.ready()
        ends = [await camera.shoot(number) for number in (1, 2, 3)]
    assert [type(end) for end in ends] == [Landed] * 3
    assert camera.stations(2) == [Released, Exposed, Landed]
    # The first answer, at the opening, is nobody's picture.
    assert [(camera.folder / name).read_bytes() for end in ends for name in end.files] == [
        WHOLE % b"1",
        WHOLE % b"2",
        WHOLE % b"3",
    ]


FAULTS = {
    # what the second shot meets, and a part of its reason
    "hang": ("hang", "localhost does not answer in time"),
    "drop": ("drop", "localhost can't be reached"),
    "garbage": ("page", "localhost answered with text/html of 27 bytes that is no JPEG; look at its url"),
    "zero bytes": ("zero", "of 0 bytes that is no JPEG"),
    "cut short": ("cut", "bytes of the picture came over"),
    "refused": ("503", "localhost answered 503 Service Unavailable in place of a picture"),
    "too much": ("endless", "sent more than most_mb = 0.1 allows"),
}


@pytest.mark.parametrize(("fault", "reason"), FAULTS.values(), ids=FAULTS.keys())
async def test_a_fault_costs_no_more_than_its_shot(tend, webcam, fault, reason):
    webcam.faults = {2: fault, **({3: fault} if fault == "drop" else {})}
    async with tend(part(webcam, most_mb=0.1), KIND) as camera:
        await camera.ready()
        assert isinstance(await camera.shoot(1), Landed)
        missed = await camera.shoot(2)
        assert isinstance(missed, Missed)
        assert reason in missed.reason
        assert isinstance(await camera.shoot(3), Landed)
    assert sorted(path.name for path in camera.folder.iterdir()) == ["000001.jpg", "000003.jpg"]


async def test_a_connection_that_is_lost_is_made_again_for_the_same_shot(tend, webcam):
    webcam.faults = {1: "drop"}
    async with tend(part(webcam), KIND) as camera:
        await camera.ready()
        assert isinstance(await camera.shoot(1), Landed)
    assert camera.stations(1) == [Released, Exposed, Landed]


async def test_a_slow_camera_is_waited_for(tend, webcam):
    webcam.faults = {1: "slow"}
    async with tend(part(webcam), KIND) as camera:
        await camera.ready()
        assert isinstance(await camera.shoot(1), Landed)


@pytest.mark.parametrize("tags", [False, True])
def test_the_picture_of_before_is_never_taken_for_a_new_one(webcam, tmp_path, tags):
    webcam.tags = tags
    webcam.picture = lambda number: WHOLE % (b"old" if number < 4 else b"new")
    kind = opened(webcam)
    kind.ensure_ready()
    assert shot(kind, tmp_path) == WHOLE % b"new"
    assert webcam.answers == 5
    with pytest.raises(ShotMissedError, match=r"the camera gave the same picture for .* s, and no new one"):
        shot(kind, tmp_path, within_s=1.5)
    if tags:
        assert "If-None-Match" in webcam.asked[-1]


def test_no_picture_that_was_seen_before_is_taken_for_a_new_one(webcam, tmp_path):
    webcam.picture = lambda number: WHOLE % (b"first", b"second", b"first", b"second", b"third")[number]
    kind = opened(webcam)
    kind.ensure_ready()
    assert [shot(kind, tmp_path), shot(kind, tmp_path)] == [WHOLE % b"second", WHOLE % b"third"]


def test_the_last_of_many_same_answers_may_be_cut_off(webcam, tmp_path):
    webcam.picture = lambda _: WHOLE % b"old"
    webcam.faults = {2: "hang"}
    kind = opened(webcam)
    kind.ensure_ready()
    with pytest.raises(ShotMissedError, match="the camera gave the same picture for"):
        shot(kind, tmp_path, within_s=2.0)


def test_a_camera_that_renews_by_its_own_clock_has_the_pictures_of_before_passed_over(webcam, tmp_path):
    webcam.picture = lambda number: WHOLE % str(number // 3).encode()
    kind = opened(webcam, skip=2)
    kind.ensure_ready()
    assert shot(kind, tmp_path) == WHOLE % b"3"


WAYS = {
    "digest": ("digest", {"user": "ott", "password": "tide, high"}),
    "basic": ("basic", {"user": "ott", "password": "tide, high"}),
    "bearer": ("bearer", {"token": "abc.def"}),
}


@pytest.mark.parametrize(("scheme", "given"), WAYS.values(), ids=WAYS.keys())
def test_a_camera_that_wants_to_know_who_asks_is_told(webcam, tmp_path, scheme, given):
    webcam.scheme, webcam.token = scheme, given.get("token")
    webcam.password = ("ott", "tide, high") if "user" in given else None
    kind = opened(webcam, **given)
    kind.ensure_ready()
    assert shot(kind, tmp_path) == WHOLE % b"1"
    assert shot(kind, tmp_path) == WHOLE % b"2"
    checks = {check.what: check for check in kind.inspect()}
    assert checks["password"].verdict is Verdict.WARN


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"user": "ott", "password": "wrong"}, "refuses the user and password"),
        ({}, "answered 401 Unauthorized: as it is asked it shows no picture; see user, token"),
    ],
)
def test_a_wrong_password_is_told_when_the_camera_is_opened(webcam, given, sentence):
    webcam.password = ("ott", "tide")
    with pytest.raises(UserError, match=sentence):
        opened(webcam, **given).ensure_ready()


def test_another_address_is_told_and_not_followed_with_our_password(webcam):
    webcam.faults = {0: "moved"}
    with pytest.raises(UserError, match=r"says that the picture is at http://elsewhere\.invalid/: give that as url"):
        opened(webcam).ensure_ready()


def test_a_camera_that_is_away_is_told_while_idle(webcam):
    kind = opened(webcam)
    kind.ensure_ready()
    assert "picture has 22 bytes" in kind.idle()
    asked = len(webcam.asked)
    kind.idle()
    assert len(webcam.asked) == asked  # reached, and not made to take a picture
    kind._address = kind._address._replace(netloc="localhost:1")
    with pytest.raises(RetryError, match="localhost can't be reached: Connection refused; look at its power"):
        kind.idle()


def test_the_picture_is_looked_over(webcam):
    kind = opened(webcam)
    kind.ensure_ready()
    checks = {check.what: check for check in kind.inspect()}
    assert checks["picture size"].found == "256x144, 0.0 MP"
    assert "skip = 2" in checks["fresh picture"].advice
    assert "password" not in checks


def test_the_size_of_a_picture_stands_in_its_header():
    assert picture_size(WHOLE % b"x") == (256, 144)
    assert picture_size(b"\xff\xd8\xff\xe0\x00\x04ab" + (WHOLE % b"x")[2:]) == (256, 144)
    for data in (b"", b"\xff\xd8", b"GIF89a", b"\xff\xd8\xff\xda\x00\x02" + bytes(20), (WHOLE % b"x")[:8]):
        assert picture_size(data) is None


def test_https_is_verified(certificate, tmp_path):
    with serving(certificate / "both.pem") as webcam:
        with pytest.raises(
            UserError, match=r"the certificate of localhost can't be trusted .* give its own as ca_file"
        ):
            opened(webcam).ensure_ready()
        kind = opened(webcam, ca_file=str(certificate / "cert.pem"))
        kind.ensure_ready()
        assert shot(kind, tmp_path) == WHOLE % b"1"
        elsewhere = webcam.url.replace("localhost", "127.0.0.1")
        with pytest.raises(UserError, match="in url the name that it is made out to"):
            opened(webcam, url=elsewhere, ca_file=str(certificate / "cert.pem")).ensure_ready()
        with pytest.raises(UserError, match=r"ca_file .* can't be read as certificates"):
            opened(webcam, ca_file=str(certificate / "key.pem")).ensure_ready()


async def test_a_camera_that_comes_later_is_waited_for(tend):
    with serving() as gone:
        url = gone.url
    port = int(url.split(":")[2].split("/")[0])
    async with tend(UrlCamera(kind="url", url=url, **LIMITS), KIND) as camera:
        await camera.until(lambda told: any(isinstance(event, CameraTold) for event in told))
        assert not camera.told[0].ready
        with serving(port=port):
            assert isinstance(await camera.shoot(1, within_s=15.0), Landed)


REFUSED = {
    "password in the address": ({"url": "http://a:b@localhost/"}, "give them as user and password"),
    "no host": ({"url": "http:///still.jpg"}, "begins with http:// or https:// and names a host"),
    "half a login": ({"url": "http://localhost/", "user": "ott"}, "give both or neither"),
    "two ways": ({"url": "http://localhost/", "user": "o", "password": "t", "token": "x"}, "keep one"),
}


@pytest.mark.parametrize(("settings", "sentence"), REFUSED.values(), ids=REFUSED.keys())
def test_settings_that_cannot_work_are_refused(settings, sentence):
    with pytest.raises(ValidationError, match=sentence):
        UrlCamera(kind="url", **settings)
