"""The metrics, read by the reference client's own parser."""

from dataclasses import replace

from prometheus_client.parser import text_string_to_metric_families

from lapsed.now import ClipNow, PrintNow, ShotNow, TakeNow
from lapsed.web import metrics


def read(now):
    found = {}
    for family in text_string_to_metric_families(metrics.exposition(now)):
        for sample in family.samples:
            found[sample.name, tuple(sorted(sample.labels.items()))] = sample.value
    return found


async def test_figures_are_told_in_the_format_that_monitors_read(site):
    clip = ClipNow(rate=25.0, wished_s=12.0, projected_s=11.0)
    site.desk.change(
        print=PrintNow(
            "beacon", waits=False, layer=7, layers=9, height_mm=1.4, progress=0.75, running_s=60.0, left_s=20.0
        ),
        take=TakeNow("a", "", shots=7, landed=6, missed=1, on_card=0, to_come=2, clip=clip, last_frame=None),
        shot=ShotNow(7, "exposing", holds=True),
    )
    found = read(site.desk.now())
    printer = (("printer", "pier"),)
    camera = (("camera", "main"), ("printer", "pier"))
    assert found["lapsed_holding", printer] == 1
    assert found["lapsed_layer", printer] == 7
    assert found["lapsed_print_progress_ratio", printer] == 0.75
    assert found["lapsed_shots_landed", camera] == 3
    assert found["lapsed_disk_free_bytes", ()] == 1_234_500_000
    status, headers, body = await site.get("/metrics")
    assert (status, headers["content-type"], body.decode()) == (
        200,
        metrics.MEDIA_TYPE,
        metrics.exposition(site.desk.now()),
    )


async def test_names_with_signs_in_them_are_escaped_and_what_is_not_known_is_left_out(site):
    odd = 'a "printer"\\\n'
    site.desk.printer = replace(site.desk.printer, name=odd)
    found = read(site.desk.now())
    assert found["lapsed_link_up", (("printer", odd),)] == 1
    assert not any(name == "lapsed_layer" for name, _ in found)
