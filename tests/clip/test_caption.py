from lapsed.clip.caption import FIGURE_SPACE, Facts, captions

S = FIGURE_SPACE


def test_figures_keep_their_places_throughout_a_clip() -> None:
    facts = [
        Facts("a", 9, 1.8, 1000.0),
        Facts("b", 10, 2.0, 1059.9),
        Facts("c", 11, 12.25, 1000.0 + 3600 + 62),
    ]
    assert captions(facts, ("layer", "height", "elapsed")) == {
        "a": f"Layer {S}9{S}{S}{S}1.80 mm{S}{S}0:00:00",
        "b": f"Layer 10{S}{S}{S}2.00 mm{S}{S}0:00:59",
        "c": f"Layer 11{S}{S}12.25 mm{S}{S}1:01:02",
    }


def test_what_no_frame_tells_is_left_out_and_what_some_don_t_tell_leaves_its_place_free() -> None:
    facts = [Facts("a", None, 0.2), Facts("b", 2, 0.4), Facts("c")]
    assert captions(facts, ("layer", "elapsed", "height")) == {
        "a": S * 7 + S * 2 + "0.20 mm",
        "b": f"Layer 2{S}{S}0.40 mm",
    }
    assert captions(facts, ()) == {}
    assert captions([Facts("a")], ("layer",)) == {}
    assert captions([], ("layer",)) == {}


def test_a_clock_that_went_back_shows_no_negative_time() -> None:
    facts = [Facts("a", at_s=50.0), Facts("b", at_s=20.0)]
    assert list(captions(facts, ("elapsed",)).values()) == ["0:00:00", "0:00:00"]
