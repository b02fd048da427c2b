"""Verdicts on drive and cooling: each mend taken away again, and the test that must find it."""

MENDS = [
    {
        "finding": "stated-one-db-point-beats-measured-compression",
        "says": "The drive is called right by the stated 1 dB point while the measured compression says that it is beyond.",
        "file": "daemon/maths/drive.cpp",
        "old": "std::min(*back_off_db, room->output_db)",
        "new": "std::max(*back_off_db, room->output_db)",
        "target": "formats_test",
        "finds": ["tests/formats_test", "-tc=*measured compression is believed*"],
    },
    {
        "finding": "cooling-adequate-within-its-doubt",
        "says": "The cooling is called adequate while the doubt of its settling temperature reaches the trip.",
        "file": "daemon/words/cooling_text.cpp",
        "old": "if (!(later_c + doubt_k < facts.trip_c)) {",
        "new": "if (!(later_c < facts.trip_c)) {",
        "target": "formats_test",
        "finds": ["tests/formats_test", "-tc=*a doubt that reaches the trip*"],
    },
]
