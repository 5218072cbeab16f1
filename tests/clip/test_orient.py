import numpy as np
import pytest

from lapsed.clip.orient import Rect, display_matrix, stored, turned

# CIPA DC-008, tag Orientation: where row 0 and column 0 of the stored picture are seen. As NumPy, independently of the
# code: what makes each stored picture upright.
UPRIGHT = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],  # row 0 at the top, column 0 at the right
    3: lambda a: a[::-1, ::-1],  # bottom, right
    4: lambda a: a[::-1],  # bottom, left
    5: lambda a: a.T,  # left, top
    6: lambda a: a.T[:, ::-1],  # right, top
    7: lambda a: a.T[::-1, ::-1],  # right, bottom
    8: lambda a: a.T[::-1],  # left, bottom
}


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_crop_of_the_upright_picture_is_found_in_the_stored_one(orientation: int) -> None:
    picture = np.arange(7 * 11).reshape(7, 11)
    upright = UPRIGHT[orientation](picture)
    assert (upright.shape[1], upright.shape[0]) == turned((11, 7), orientation)
    rect = stored(Rect(1, 2, 4, 3), (upright.shape[1], upright.shape[0]), orientation)
    x, y, width, height = int(rect.x), int(rect.y), int(rect.width), int(rect.height)
    cut = UPRIGHT[orientation](picture[y : y + height, x : x + width])
    assert cut.tolist() == upright[2:5, 1:5].tolist()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_display_matrix_moves_each_pixel_to_its_place(orientation: int) -> None:
    picture = np.arange(3 * 5).reshape(3, 5)
    upright = UPRIGHT[orientation](picture)
    a, b, c, d, tx, ty = display_matrix((5, 3), orientation)
    for y in range(3):
        for x in range(5):  # pixel centres lie at halves
            to_x = a * (x + 0.5) + c * (y + 0.5) + tx - 0.5
            to_y = b * (x + 0.5) + d * (y + 0.5) + ty - 0.5
            assert upright[int(to_y), int(to_x)] == picture[y, x]
