"""Paths in a box by unfolding: where images lie and which materials their paths meet.

An image's cell counts the mirrorings along each axis. Seen from the capsule the path to an image is a straight line
through mirrored boxes; each plane it crosses is a reflection, and folding the crossing back tells where on the wall it
happens.
"""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

from rooms.surfaces import Hall

__all__ = ["cells_within", "count_hits", "material_at", "materials_at", "mirror", "path_hits", "surface_hits"]


def cells_within(size: NDArray[np.float64], reach: float) -> NDArray[np.int64]:
    """Return the cells that can hold images within ``reach`` m of a point in the box, shape (cells, 3)."""
    spans = [np.arange(-n, n + 1) for n in (reach // size).astype(int) + 1]
    return np.stack(np.meshgrid(*spans, indexing="ij"), axis=-1).reshape(-1, 3)


def mirror(cells: NDArray[np.int64], points: NDArray[np.float64], size: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the images of points, measured from the box's lower corner, shape (cells, points, 3)."""
    n = cells[:, None, :]
    return np.where(n % 2 == 0, n * size + points, (n + 1) * size - points)


def surface_hits(cells: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return how often the path of each cell meets each surface, shape (cells, 6)."""
    total = np.abs(cells)
    first = np.where(cells < 0, (total + 1) // 2, total // 2)
    return np.stack([first, total - first], axis=-1).reshape(-1, 6)


@numba.njit(cache=True)
def material_at(wall, u, v, walls, bounds):  # type: ignore[no-untyped-def]
    """Return the material at a point of a wall, given along its two axes in m from the lower corner."""
    for n in range(bounds.shape[0]):
        if walls[6 + n] == wall and bounds[n, 0, 0] <= u <= bounds[n, 1, 0] and bounds[n, 0, 1] <= v <= bounds[n, 1, 1]:
            return 6 + n
    return wall


def materials_at(hall: Hall, wall: int, points: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the materials at points of a wall, shape (points, 2) along its two axes in m from the lower corner."""
    found = np.full(len(points), wall)
    for row, (low, high) in enumerate(hall.bounds, start=6):
        if hall.walls[row] == wall:
            found[((points >= low) & (points <= high)).all(axis=1)] = row
    return found


@numba.njit(cache=True)
def count_hits(cell, image, ear, size, walls, bounds, hits):  # type: ignore[no-untyped-def]
    """Fill hits (materials,) with how often the path from an image to an ear meets each material."""
    for w in range(hits.shape[0]):
        hits[w] = 0.0
    for a in range(3):
        n = cell[a]
        total = abs(n)
        first = (total + 1) // 2 if n < 0 else total // 2
        patched = False
        for w in range(6, walls.shape[0]):
            patched = patched or walls[w] // 2 == a
        if not patched:
            hits[2 * a] = first
            hits[2 * a + 1] = total - first
            continue
        b = 1 if a == 0 else 0
        c = 1 if a == 2 else 2
        for k in range(total):
            plane = k + 1 if n > 0 else -k
            part = (plane * size[a] - ear[a]) / (image[a] - ear[a])
            u = (ear[b] + part * (image[b] - ear[b])) % (2.0 * size[b])
            v = (ear[c] + part * (image[c] - ear[c])) % (2.0 * size[c])
            u = min(u, 2.0 * size[b] - u)
            v = min(v, 2.0 * size[c] - v)
            hits[material_at(2 * a + plane % 2, u, v, walls, bounds)] += 1.0


@numba.njit(cache=True)
def _paths(cells, images, ear, size, walls, bounds, out):  # type: ignore[no-untyped-def]
    """Fill out (cells, materials) path by path."""
    for p in range(cells.shape[0]):
        count_hits(cells[p], images[p], ear, size, walls, bounds, out[p])


def path_hits(
    hall: Hall, cells: NDArray[np.int64], images: NDArray[np.float64], ear: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return how often each path meets each material.

    Parameters
    ----------
    hall : Hall
        The room.
    cells : ndarray, shape (paths, 3)
        Cells of the images.
    images : ndarray, shape (paths, 3)
        Where they lie, in m from the box's lower corner.
    ear : ndarray, shape (3,)
        Where they are heard, alike.

    Returns
    -------
    ndarray, shape (paths, materials)
    """
    out = np.zeros((len(cells), len(hall.walls)))
    _paths(cells, images, ear, np.array(hall.box.size), hall.walls, hall.bounds, out)
    return out
