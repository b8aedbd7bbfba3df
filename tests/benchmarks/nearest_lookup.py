"""The usual way: each fix to the nearest segment that its heading agrees with.

A shapely STRtree of all straight pieces is asked once for all fixes, then numpy filters by
heading and takes the nearest. One thread. What :mod:`bench_matching` compares with.
"""

import numpy as np
import shapely

from spreadplan.matching.network import LENGTH, LINK, UX, UY, Network, X, Y
from spreadplan.matching.projection import FloatArray
from spreadplan.matching.search import IntArray

RADIUS_M = 25.0
MIN_COSINE = 0.5  # headings may differ from the segment's by up to 60 degrees


class NearestLookup:
    """The tree and the pieces of one network; built once, like the network itself."""

    def __init__(self, network: Network) -> None:
        piece = network.shape.piece
        self.start = piece[:, [X, Y]]
        self.unit = piece[:, [UX, UY]]
        self.length_m = piece[:, LENGTH]
        end = self.start + self.unit * self.length_m[:, None]
        self.tree = shapely.STRtree(shapely.linestrings(np.stack([self.start, end], axis=1)))
        owners, graph = network.owners, network.graph
        entry = owners.row_start[:-1]
        last = len(owners.row) - 1
        segment = 2 * owners.row[np.minimum(entry, last)] + ~owners.along[np.minimum(entry, last)]
        self.segment = np.where(graph.is_open, segment, -1).astype(np.int32)
        self.link = piece[:, LINK].astype(np.int32)

    def match(self, x_m: FloatArray, y_m: FloatArray, heading_deg: FloatArray) -> IntArray:
        """Directed segment of every fix, -1 if none is near and agrees."""
        xy = np.column_stack([x_m, y_m])
        fix, piece = self.tree.query(shapely.points(xy), predicate="dwithin", distance=RADIUS_M)
        away = xy[fix] - self.start[piece]
        unit = self.unit[piece]
        along = np.clip(np.einsum("ij,ij->i", away, unit), 0.0, self.length_m[piece])
        square = np.sum((away - along[:, None] * unit) ** 2, axis=1)
        angle = np.radians(heading_deg)[fix]
        cosine = np.sin(angle) * unit[:, 0] + np.cos(angle) * unit[:, 1]
        segment = self.segment[2 * self.link[piece] + (cosine < 0.0)]
        fits = (np.abs(cosine) >= MIN_COSINE) & (segment >= 0)
        fix, square, segment = fix[fits], square[fits], segment[fits]
        order = np.lexsort((square, fix))
        first = np.concatenate([[True], np.diff(fix[order]) > 0]) if len(order) else order
        out = np.full(len(x_m), -1, np.int32)
        out[fix[order][first]] = segment[order][first]
        return out
