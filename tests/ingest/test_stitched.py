"""From the card to the clip: a take whose photos were ingested is stitched as any other."""

import json
from pathlib import Path

import cv2
import numpy as np

from lapsed.__main__ import main
from lapsed.clip.editlist import from_json
from lapsed.take import reader
from tests.ingest.deals import deal


def pictured(card, owners):
    """Give every photo of the card a picture that grows from one to the next, and leave its Exif as it is."""
    for at, path in enumerate(sorted(card.rglob("*.JPG"))):
        picture = np.full((180, 240, 3), 90, np.uint8)
        cv2.rectangle(picture, (90, 170 - 8 * at), (150, 170), (40, 90, 230), -1)
        _, data = cv2.imencode(".jpg", picture)
        held = path.read_bytes()
        exif = held[2 : 4 + int.from_bytes(held[4:6], "big")]
        # Exif's segment stands right after the start of the image (CIPA DC-008, 4.5.2).
        whole = held[:2] + exif + data.tobytes()[2:]
        path.write_bytes(whole)
        owners[whole] = owners[held]


def test_an_ingested_take_is_stitched(made, capsys):
    here = made(deal(21, 16, missed=0, stray=0))
    pictured(here.card, here.owners)
    assert main(["ingest", str(here.take), str(here.card)]) == 0
    assert [shot.outcome for shot in reader.read_take(here.take).shots] == ["landed"] * 16
    capsys.readouterr()
    assert main(["stitch", str(here.take), "--size", "160x90", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    clip = next(clip for clip in told["clips"] if clip["codec"] == "h264")
    assert told["left_out"] == []
    film = cv2.VideoCapture(clip["path"])
    assert film.get(cv2.CAP_PROP_FRAME_COUNT) == clip["frames"] >= 16
    film.release()
    # One piece for each shot's photo, in the order in which they were released.
    plan = from_json(next(path.read_text() for path in Path(clip["path"]).parent.glob(f"{clip['name']}.edit.json")))
    shown = [here.owners[(here.take / piece.frame).read_bytes()] for piece in plan.pieces]
    assert list(dict.fromkeys(shown)) == list(range(1, 17))
