"""The station's sheet: what it must not do, each brought back, and the test that must find it."""

OPERATOR = ["tests/operator/operator_test"]

MENDS = [
    {
        "finding": "sheet-takes-names-for-marks",
        "says": "A station's name with '<' becomes marks of the page.",
        "file": "tools/dekeyctl/sheet/html.cpp",
        "old": "case '<': result += \"&lt;\"; break;",
        "new": "",
        "target": "operator_test",
        "finds": OPERATOR + ["-tc=*taken for marks*"],
    },
    {
        "finding": "sheet-counts-forward-twice",
        "says": "Forward, which is read again after reflected, has two wires.",
        "file": "tools/dekeyctl/sheet/wires.cpp",
        "old": "            seen.emplace_back(slot.sensor);\n",
        "new": "",
        "target": "operator_test",
        "finds": OPERATOR + ["-tc=*each sensor*"],
    },
]
