# Each mend of what decides taken away again, and the test that finds it.
MENDS = [
    {
        "finding": "rf-absent-by-every-detector",
        "says": "RF counts as absent by forward alone: a dead or swapped forward detector hides it.",
        "file": "daemon/core/derived.cpp",
        "old": "const RfLook by_reflected = look(reflected,",
        "new": "const RfLook by_reflected = look(reflected == nullptr ? reflected : nullptr,",
        "target": "core_test",
        "finds": ["tests/core_test", "-tc=RF absent*"],
    },
    {
        "finding": "reflected-judged-at-every-power",
        "says": "Reflected at or above forward is judged only where ratios are measurable.",
        "file": "daemon/core/step.cpp",
        "old": "    fold(exceeds, swapped_timer_.update(now, reflected_exceeds(plan_.rf, bracket)));\n",
        "new": "",
        "target": "core_test",
        "finds": ["tests/core_test", "-tc=RF absent*"],
    },
    {
        "finding": "no-permit-into-drive",
        "says": "After a start, a release or a reset a permit begins while drive is present.",
        "file": "daemon/core/step.cpp",
        "old": "plan_.supervision.continuous_drive || drive_absent()",
        "new": "snapshot_.state == State::starting || drive_absent()",
        "target": "core_test",
        "finds": ["tests/core_test", "-tc=a permit needs drive absent*"],
    },
    {
        "finding": "in-force-before-its-look",
        "says": "A provisional limit, or one that rested without the supply, counts as clear before its next look.",
        "file": "daemon/core/step.cpp",
        "old": "if (out_of_force_[i] != 0 && !out) timers_[i].forget();",
        "new": "",
        "target": "core_test",
        "finds": ["tests/core_test", "-tc=a limit that comes into force*"],
    },
]
