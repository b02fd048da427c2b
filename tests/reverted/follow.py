"""An alarm when away: each taken away again must be found."""
ORDER = "tools/dekeyctl/follow/order.cpp"
MENDS = [
    dict(finding="live-twin-comes-late", says="an event whose stored twin came first was handed on twice", file=ORDER,
         old="if (contains(seen_, event)) return;", new="if (contains(told_live_, event)) return;", target="operator_test",
         finds=["tests/operator/operator_test", "-tc=*whichever is first*"]),
    dict(finding="stored-twin-comes-late", says="an event that was handed on without the storage came again with it", file=ORDER,
         old="event.told = event.since_start != 0 && contains(told_live_, event);",
         new="event.told = event.since_start == 0 && contains(told_live_, event);", target="operator_test",
         finds=["tests/operator/operator_test", "-tc=*not again when it does*"]),
    dict(finding="gap-by-the-guard-s-count", says="events that the storage never took were missing in silence", file=ORDER,
         old='event.since_start > before + 1 && event.kind != "started"', new='event.since_start > before + 1 && event.kind == "started"',
         target="operator_test", finds=["tests/operator/operator_test", "-tc=*never took is said*"]),
    dict(finding="turns-at-the-desk", says="a client that asks again and again kept others from the journal's events",
         file="daemon/control/event_queries.cpp", old="std::pair{client.descriptor <= last_, client.descriptor}",
         new="std::pair{client.descriptor < last_, client.descriptor}", target="app_test",
         finds=["tests/app_test", "-tc=*again and again*"]),
]
