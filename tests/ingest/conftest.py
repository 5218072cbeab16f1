import pytest

from tests.ingest.deals import Deal, Made, write_card, write_take


@pytest.fixture
def made(tmp_path):
    """Makes a take and the card that belongs to it."""

    def make(dealt: Deal, *, missed: tuple[int, ...] = (), first: int = 1, sync: tuple[float, ...] = ()) -> Made:
        take = write_take(tmp_path / "takes", dealt.shots, missed=missed, sync=sync)
        made = Made(take, tmp_path / "card")
        for owner, data in zip(dealt.owners, write_card(made.card, dealt.photos, first), strict=True):
            made.owners[data] = None if owner is None else owner + 1
            if owner is not None:
                made.photos[owner + 1] = data
        return made

    return make
