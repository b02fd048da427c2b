"""Mends of what a moving envelope was taken for: each taken away again, and the test that must find it."""

CORE = ["tests/core_test"]

MENDS = [
    {
        "finding": "voice-is-no-vswr-fault",
        "says": "Each scan's ratio is judged by itself, also where the envelope moves between its readings.",
        "file": "daemon/measure/measurement.cpp",
        "old": "if (plan_.rf.emission.ratio_time > Duration::zero() && all_measured)",
        "new": "if (plan_.rf.emission.ratio_time < Duration::zero() && all_measured)",
        "target": "core_test",
        "finds": CORE + ["-tc=*a moving envelope is no fault*"],
    },
    {
        "finding": "unexplained-ratio-is-borne-for-ever",
        "says": "RF without a ratio that is good enough is borne without end.",
        "file": "daemon/measure/average.cpp",
        "old": "return owed_ < span ? Told::not_yet : Told::never;",
        "new": "return owed_ <= span ? Told::not_yet : Told::never;",
        "target": "core_test",
        "finds": CORE + ["-tc=*reflected that forward doesn't explain*"],
    },
    {
        "finding": "average-outlives-its-detector",
        "says": "An average stands on though its scans bring no reflected power any more.",
        "file": "daemon/measure/measurement.cpp",
        "old": "    if (state == BracketState::edge) return;\n    const double ratio = ",
        "new": "    if (plan_.rf.emission.ratio_time > Duration::zero()) return tell_no_ratio(Fault::none);\n    if (state == BracketState::edge) return;\n"
               "    const double ratio = ",
        "target": "core_test",
        "finds": CORE + ["-tc=*a reflected detector that is lost*"],
    },
    {
        "finding": "keying-is-no-current-without-forward",
        "says": "A current that is older than the gap of the keying contradicts the gap's forward power.",
        "file": "daemon/core/supervision.cpp",
        "old": "return of_before ? Verdict::missed : Verdict::outside;",
        "new": "return of_before ? Verdict::outside : Verdict::outside;",
        "target": "core_test",
        "finds": CORE + ["-tc=*in a gap of the keying*"],
    },
    {
        "finding": "lost-drive-counts-as-none",
        "says": "In an averaged gain a drive that was lost counts as 0 W, and the gain is too high once it is back.",
        "file": "daemon/measure/average.cpp",
        "old": "drive_ / drive_weight_",
        "new": "drive_ / weight_",
        "target": "core_test",
        "finds": CORE + ["-tc=*a drive that was lost for a second*"],
    },
]
