"""The changes that tools/mutate makes to a source text, and the lists beside it: what is changed, and which changes change nothing."""
import functools
import os
import re
import shlex

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.realpath(__file__))))

# (what, pattern, what it becomes). The code is formatted, so that an operator has blanks around it and a template's
# bracket has none.
SWAPS = [
    ("comparison", r" < ", [" <= ", " >= "]),
    ("comparison", r" <= ", [" < ", " > "]),
    ("comparison", r" > ", [" >= ", " <= "]),
    ("comparison", r" >= ", [" > ", " < "]),
    ("comparison", r" == ", [" != "]),
    ("comparison", r" != ", [" == "]),
    ("and/or", r" && ", [" || "]),
    ("and/or", r" \|\| ", [" && "]),
    ("sign", r" \+ ", [" - "]),
    ("sign", r" - ", [" + "]),
    ("sign", r" \* ", [" / "]),
    ("sign", r" / ", [" * "]),
    ("sign", r" \+= ", [" -= "]),
    ("sign", r"\+\+(?=[A-Za-z_])(?!i\b|source\b)", ["--"]),
    ("sign", r"--(?=[A-Za-z_])", ["++"]),
    ("boolean", r"\btrue\b", ["false"]),
    ("boolean", r"\bfalse\b", ["true"]),
    ("minimum", r"\bstd::max\(", ["std::min("]),
    ("minimum", r"\bstd::min\(", ["std::max("]),
    ("minimum", r"\bstd::all_of\(", ["std::any_of("]),
    ("minimum", r"\bstd::any_of\(", ["std::all_of("]),
    ("negation", r"!(?!=)(?=[A-Za-z_(])", [""]),
]
NUMBER = re.compile(r"(?<![\w.])(\d+(?:\.\d+)?)(?![\w.])")
CONDITION = re.compile(r"\b(if|while) \(")
COMPARISON = re.compile(r" (?:==|!=|<|<=|>|>=) ")
NEGATED_NAME = re.compile(r"![\w.:>-]+(?:\([^()]*\))?")
FOR_THE_COMPILER = re.compile(r"\bstatic_assert\(|^consteval [^;{]*\{", re.M)
ROOM = re.compile(r"\b(?:reserve\([^;]*\);|std::array<[^;{}()]*> \w+|char \w+\[\d+\];|events_\{[^}]*\})")
# A statement on a line of its own that does something: an assignment or a call.
STATEMENT = re.compile(r"^\s+(?!return\b|using\b|case\b|const\b|static\b|constexpr\b|auto\b)"
                       r"[A-Za-z_][\w.:\[\]>-]*(?:\(.*\)| [-+]?= .*);$")


def masked(text):
    """The text with comments, strings and what the compiler alone runs blanked, so that nothing there is changed."""
    blank = lambda m: re.sub(r"[^\n]", "\0", m.group(0))
    text = re.sub(r"//[^\n]*|\"(?:\\.|[^\"\\])*\"|'(?:\\.|[^'\\\n])'|^#[^\n]*", blank, text, flags=re.M)
    for match in FOR_THE_COMPILER.finditer(text):
        opening = match.end() - 1
        end = closing(text, opening) + 1
        text = text[:match.start()] + re.sub(r"[^\n]", "\0", text[match.start():end]) + text[end:]
    return ROOM.sub(blank, text)


def said_already(condition):
    """Whether to negate it is one of the other changes: it is one comparison, or one negated name."""
    top, depth = "", 0
    for letter in condition:
        depth += (letter in "([{") - (letter in ")]}")
        top += letter if depth == 0 else ""
    plain = not any(word in top for word in (" && ", " || ", " ? "))
    return plain and len(COMPARISON.findall(top)) == 1 or NEGATED_NAME.fullmatch(condition) is not None


def closing(text, opening):
    pair = {"(": ")", "{": "}"}
    depth = 0
    for i in range(opening, len(text)):
        depth += (text[i] == text[opening]) - (text[i] == pair[text[opening]])
        if depth == 0:
            return i
    return -1


class Mutant:
    def __init__(self, stem, text, begin, end, new, what):
        self.stem, self.what = stem, what
        self.text = text[:begin] + new + text[end:]
        self.number = text.count("\n", 0, begin) + 1
        first = text.rfind("\n", 0, begin) + 1
        last = text.find("\n", end)
        whole = lambda s: " ".join(s.split())
        self.before = whole(text[first:last])
        self.after = whole(text[first:begin] + new + text[end:last])
        place = 1 + sum(whole(line) == self.before for line in text[:first].splitlines())
        self.place = f" #{place}" if place > 1 else ""

    def key(self):
        return (self.stem, self.before + self.place, self.after)

    def __str__(self):
        return (f"daemon/{files()[self.stem].path}.cpp:{self.number}: {self.what}\n"
                f"    - {self.before}{self.place}\n    + {self.after}")


def mutants_of(stem):
    with open(files()[stem].source, encoding="utf-8") as file:
        text = file.read()
    code = masked(text)
    found = []
    for what, pattern, becomes in SWAPS:
        for match in re.finditer(pattern, code):
            found += [Mutant(stem, text, match.start(), match.end(), new, what) for new in becomes]
    for match in NUMBER.finditer(code):
        value = match.group(1)
        new = str(float(value) + 1) if "." in value else str(int(value) + 1)
        found.append(Mutant(stem, text, match.start(), match.end(), new, "boundary"))
    for match in CONDITION.finditer(code):
        end = closing(code, match.end() - 1)
        inner = text[match.end():end]
        if ";" not in inner and not said_already(inner):
            found.append(Mutant(stem, text, match.end(), end, f"!({inner})", "condition"))
    offset = 0
    for line in code.splitlines(keepends=True):
        bare = line.rstrip("\n")
        if STATEMENT.match(bare) and bare.count("(") == bare.count(")"):
            indent = len(bare) - len(bare.lstrip())
            found.append(Mutant(stem, text, offset + indent, offset + len(bare), ";", "statement"))
        offset += len(line)
    unique = {}
    for mutant in found:
        unique.setdefault((mutant.stem, mutant.text), mutant)
    return sorted(unique.values(), key=lambda m: (m.stem, m.number, m.after))


class File:
    """One line of tools/mutate.files: what is changed, and the programs that judge it, in their order."""
    def __init__(self, line):
        self.when_named = line.startswith("- ")
        self.path, judges = (part.strip() for part in line.removeprefix("- ").split(" | "))
        self.stem = os.path.basename(self.path.removesuffix("/main"))
        self.source = f"{ROOT}/daemon/{self.path}.cpp"
        self.judges = [shlex.split(judge) for judge in judges.split(",")]


@functools.lru_cache(maxsize=None)
def files():
    with open(f"{ROOT}/tools/mutate.files", encoding="utf-8") as lines:
        return {file.stem: file for file in (File(line) for line in lines if line.strip() and not line.startswith("#"))}


def equivalents():
    listed = {}
    with open(f"{ROOT}/tools/mutate.equivalents", encoding="utf-8") as file:
        for line in file:
            if line.strip() and not line.startswith("#"):
                stem, before, after, reason = (part.strip() for part in line.split(" | ", 3))
                listed[(stem, before, after)] = reason
    return listed
