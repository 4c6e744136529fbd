"""Mixes: several cultivars of a crop sown in one cell.

Each member of a mix is forecast as a plant of its own, on its share of the cell's ground and towards its share of the
cell's weight; the shares of a mix add up to 1. The cell is ready when its slowest member is. That a member gets light
as its share is assumed; it starts as a whole seedling, so a mix covers its ground a little sooner.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from service.agronomy.forecast import Batches, Cuts, Dates

Owner = NDArray[np.intp]
ALONE = (1.0,)
"""Shares of what is not a mix."""


def owners(shares: Sequence[Sequence[float]]) -> Owner:
    """Return which batch each member is of: members of one batch stand together, batches in order.

    Parameters
    ----------
    shares : sequence of sequence of float
        Shares of the members of each batch.
    """
    return np.repeat(np.arange(len(shares)), [len(s) for s in shares])


def apart(
    batches: Batches, cuts: Cuts | None, shares: Sequence[Sequence[float]]
) -> tuple[Batches, Cuts | None]:
    """Return a row for each member of each batch.

    Parameters
    ----------
    batches, cuts
        Of whole cells.
    shares : sequence of sequence of float
        Shares of the members of each batch; :data:`ALONE` for a batch of one cultivar.
    """
    owner = owners(shares)
    share = np.concatenate([np.asarray(s, dtype=np.float64) for s in shares]) if len(shares) else np.empty(0)
    rows = Batches(*(column[owner] for column in batches))
    rows = rows._replace(
        target_dry_g=rows.target_dry_g * share,
        nursery_m2=rows.nursery_m2 / share,
        channels_m2=rows.channels_m2 / share,
    )
    if cuts is None:
        return rows, None
    cut = Cuts(*(column[owner] for column in cuts))
    return rows, cut._replace(left_dry_g=cut.left_dry_g * share)


def together(dates: Dates, owner: Owner) -> Dates:
    """Return the dates of whole cells from those of their members.

    The window opens with the youngest member and closes with the oldest; the cell is ready, and clear, with the
    slowest. Its weight is that of all.
    """
    count = int(owner[-1]) + 1 if owner.size else 0
    if count == owner.size:
        return dates
    first = np.searchsorted(owner, np.arange(count))
    size = np.bincount(owner, minlength=count)[:, None]

    latest = {
        name: np.maximum.reduceat(getattr(dates, name), first, axis=0)
        for name in ("emergence", "window_open", "harvest", "light_harvest", "clear", "light_clear")
    }
    return Dates(
        **latest,
        window_close=np.minimum.reduceat(dates.window_close, first, axis=0),
        transplant=np.add.reduceat(dates.transplant, first, axis=0) / size,
        leaves_now=np.add.reduceat(dates.leaves_now, first, axis=0) / size,
        fresh_g_now=np.add.reduceat(dates.fresh_g_now, first, axis=0),
    )
