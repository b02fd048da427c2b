"""Mends of numbers: each taken away again, and the test that must find it."""

AGREE = ["tests/agree/agree_test"]

MENDS = [
    {
        "finding": "provisional-limit-caps-exposure",
        "says": "A resting commissioning section makes the exposure distance a third of the true one.",
        "file": "daemon/formats/exposure_json.cpp",
        "old": "core::lowest_sure_trip(plan, plan.roles.forward, {})",
        "new": "core::lowest_sure_trip(plan, plan.roles.forward, {.commissioning = true})",
        "target": "agree_test",
        "finds": AGREE + ["-tc=*changes nothing on paper*"],
    },
    {
        "finding": "gated-limit-caps-exposure",
        "says": "A limit that rests now and then caps the power that a distance is worked out for.",
        "file": "daemon/formats/exposure_json.cpp",
        "old": "core::lowest_sure_trip(",
        "new": "core::lowest_possible_trip(",
        "target": "agree_test",
        "finds": AGREE + ["-tc=*rests now and then*"],
    },
    {
        "finding": "provisional-limit-in-plan",
        "says": "`plan` measures the heatsink against a limit that only commissioning makes one.",
        "file": "tools/dekeyctl/plan_levels.cpp",
        "old": "if (!core::may_trip(limit, {})) continue;",
        "new": "if (!limit.trips) continue;",
        "target": "agree_test",
        "finds": AGREE + ["-tc=*changes nothing on paper*"],
    },
    {
        "finding": "provisional-limit-forecast",
        "says": "The time to the limit is that to a provisional trip while nobody is commissioning.",
        "file": "daemon/core/forecast.cpp",
        "old": "lowest_possible_trip(plan_, plan_.roles.heatsink, input.moment)",
        "new": "lowest_possible_trip(plan_, plan_.roles.heatsink, Moment{.commissioning = true})",
        "target": "core_test",
        "finds": ["tests/core_test", "-tc=only limits that stand are forecast*"],
    },
    {
        "finding": "resting-limit-published-as-inside",
        "says": "MQTT calls a limit 'inside' that doesn't watch.",
        "file": "daemon/homie.cpp",
        "old": '    if (core::rests(snapshot.standing[limit])) return "resting";\n',
        "new": "",
        "target": "agree_test",
        "finds": AGREE + ["-tc=each limit at each moment*"],
    },
    {
        "finding": "resting-limit-beyond-trip-on-screen",
        "says": "The terminal shows a resting limit's quantity as beyond its trip.",
        "file": "tools/dekeyctl/view.cpp",
        "old": "return !limit->rests.empty() && !limit->active;",
        "new": "return false && limit->active;",
        "target": "operator_test",
        "finds": ["tests/operator/operator_test", "-tc=a limit that rests*"],
    },
    {
        "finding": "provisional-limit-silences-advice",
        "says": "`check` doesn't say that a limit is missing where a provisional one watches the quantity.",
        "file": "daemon/formats/configuration_advice.cpp",
        "old": "core::may_trip(limit, {})",
        "new": "limit.trips",
        "target": "formats_test",
        "finds": ["tests/formats_test", "-tc=limits that are missed"],
    },
]
