"""The last deliveries, beside their readings and in the ring: one memory, in order, bounded."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.store.keep import Store
from monitor.store.memory import REMEMBERED

STEP = st.one_of(
    st.tuples(st.integers(0, 400), st.booleans()),  # deliveries of a batch; with a dated reading or none
    st.sampled_from(["tidy", "reopen", "forget"]),
)


@settings(max_examples=30)
@given(steps=st.lists(STEP, max_size=14))
def test_the_memory_is_the_last_deliveries_wherever_they_stand(tmp_path_factory, say, steps):
    """Through moves, restarts and a broker that forgot us, the rows are exactly the last ones committed, in order."""
    folder = tmp_path_factory.mktemp("store")
    store = Store.open(folder)
    sent: list[tuple[int, bytes]] = []
    n = 0
    for step in steps:
        if step == "tidy":
            store.tidy(None, move_from=1)
        elif step == "reopen":
            store.close()
            store = Store.open(folder)
        elif step == "forget":
            store.forget_deliveries()
            sent = []
        else:
            count, dated = step
            new = [(k % 65_535 + 1, bytes([k % 251]) * (k % 30)) for k in range(n, n + count)]
            n += count
            keeps = [say.keep("a/b", 1.0, n * 1000)] if dated else [say.keep("a/b", 1.0, None)]
            store.commit(say.batch(*keeps, deliveries=[say.delivery(*one) for one in new]))
            sent += new
        rows = store.remembered()
        assert [(row.packet_id, row.digest) for row in rows] == sent[-REMEMBERED:]
        orders = [row.order for row in rows]
        assert orders == sorted(set(orders))
    store.close()


def test_a_file_taken_in_does_not_keep_the_inbox_nor_forget_the_deliveries(store, say):
    """Moved readings stay for their deliveries' sake only while they are few; then the deliveries go elsewhere."""

    def held() -> int:
        return store._connection.execute("SELECT count(*) FROM inbox").fetchone()[0]

    store.commit(say.batch(say.keep("a/b", 1.0), deliveries=[say.delivery(7)]))
    store.tidy(None, move_from=1)
    assert held() == 1
    store.add_readings([say.keep("a/b", float(n), 1000 + n) for n in range(30_000)])
    while store.tidy(None, move_from=1).more:
        pass
    assert held() == 0
    assert [row.packet_id for row in store.remembered()] == [7]


def test_a_batch_larger_than_the_memory_leaves_its_end(store, say):
    """However many come at once, the last ones are known."""
    store.commit(say.batch(deliveries=[say.delivery(n + 1) for n in range(REMEMBERED + 10)]))
    store.commit(say.batch(deliveries=[say.delivery(60_000)]))
    ids = [row.packet_id for row in store.remembered()]
    assert ids == [*range(12, REMEMBERED + 11), 60_000]
