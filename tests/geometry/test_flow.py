"""The cheapest cut against PyMaxflow, which carries the same method in C++, and scipy's greatest flow, another one."""

import maxflow
import numpy as np
import pytest
from mouldloft.base.errors import Cancelled
from mouldloft.base.progress import Progress
from mouldloft.geometry import flow
from mouldloft.geometry.flow import cheapest_cut
from scipy import sparse
from scipy.sparse import csgraph


def graph(seed, whole=False):
    """A random graph: excess of the nodes, ends of its pairs, and what parting them costs either way."""
    rng = np.random.default_rng(seed)
    nodes, pairs = int(rng.integers(2, 150)), int(rng.integers(1, 500))
    one = rng.integers(0, nodes, pairs)
    two = (one + rng.integers(1, nodes, pairs)) % nodes
    excess = 2.0 * rng.normal(size=nodes) * rng.integers(0, 2, nodes)
    ahead, against = 2.0 * rng.random(pairs), rng.random(pairs) * rng.integers(0, 2, pairs)
    if whole:  # whole numbers make ties
        excess, ahead, against = np.rint(2 * excess), np.rint(2 * ahead), np.rint(3 * against)
    return excess, one, two, ahead, against


def by_pymaxflow(excess, one, two, ahead, against):
    """Cost of the cheapest cut, and the nodes behind it (what its ties do is the same: they stay ahead)."""
    held = maxflow.Graph[float](len(excess), len(one))
    nodes = held.add_nodes(len(excess))
    held.add_grid_tedges(nodes, np.maximum(excess, 0), np.maximum(-excess, 0))
    held.add_edges(one, two, ahead, against)
    return held.maxflow(), np.asarray(held.get_grid_segments(nodes))


def cost(behind, excess, one, two, ahead, against):
    own = np.where(behind, np.maximum(excess, 0), np.maximum(-excess, 0)).sum()
    return own + ahead[~behind[one] & behind[two]].sum() + against[behind[one] & ~behind[two]].sum()


@pytest.mark.parametrize("whole", [False, True])
def test_cut_is_the_library_s(whole):
    parted = 0
    for seed in range(150):
        given = graph(seed, whole)
        least, segments = by_pymaxflow(*given)
        behind = cheapest_cut(*given)
        assert cost(behind, *given) == pytest.approx(least, abs=1e-9)
        assert behind.tolist() == segments.tolist()
        parted += 0 < behind.sum() < len(behind)
    assert parted > 50


def test_cut_costs_what_flows():
    """The greatest flow by scipy (Dinic's method, whole numbers) is the least cut's cost."""
    for seed in range(20):
        excess, one, two, ahead, against = (v.astype(np.int32) for v in graph(seed, whole=True))
        size = len(excess)
        start, end = np.full(size, size), np.full(size, size + 1)
        rows, columns = (
            np.concatenate([one, two, start, np.arange(size)]),
            np.concatenate([two, one, np.arange(size), end]),
        )
        room = np.concatenate([ahead, against, np.maximum(excess, 0), np.maximum(-excess, 0)])
        links = sparse.csr_matrix((room.astype(np.int32), (rows, columns)), shape=(size + 2, size + 2))
        most = csgraph.maximum_flow(links, size, size + 1).flow_value
        assert cost(cheapest_cut(excess, one, two, ahead, against), excess, one, two, ahead, against) == most


def test_it_stops_between_steps_and_goes_on_as_if_it_had_not(monkeypatch):
    monkeypatch.setattr(flow, "_VISITS", 50)
    heard = []
    given = graph(7)
    behind = cheapest_cut(*given, Progress(lambda *step: heard.append(step)), 0.4, "cutting")
    assert len(heard) > 3
    assert {step[1:] for step in heard} == {(0.4, "cutting")}
    assert behind.tolist() == by_pymaxflow(*given)[1].tolist()
    stopped = Progress()
    stopped.cancel()
    with pytest.raises(Cancelled):
        cheapest_cut(*given, stopped)
