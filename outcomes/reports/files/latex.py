"""LaTeX: tables that compile with pdflatex, whatever signs stand in them."""

from __future__ import annotations

import unicodedata

from outcomes.reports.table import Table

_PLAIN = {
    "\\": r"\textbackslash{}",
    "&": r"\&",
    "%": r"\%",
    "$": r"\$",
    "#": r"\#",
    "_": r"\_",
    "{": r"\{",
    "}": r"\}",
    "[": "{[}",  # after the end of a line it would be read as an option of it
    "~": r"\textasciitilde{}",
    "^": r"\textasciicircum{}",
    "°": r"\textdegree{}",
    "–": "--",
    "—": "---",
    "…": r"\ldots{}",
    "‘": "`",
    "’": "'",
    "“": "``",
    "”": "''",
    "†": r"\textdagger{}",
    "·": r"\textperiodcentered{}",
    "•": r"\textbullet{}",
    "\u00a0": "~",
    "\u202f": "~",
}
_MATHS = {
    "−": "-",
    "±": r"\pm",
    "×": r"\times",
    "÷": r"\div",
    "≤": r"\leq",
    "≥": r"\geq",
    "<": "<",
    ">": ">",
    "≠": r"\neq",
    "≈": r"\approx",
    "∞": r"\infty",
    "→": r"\rightarrow",
    "←": r"\leftarrow",
    "√": r"\surd",
    "∑": r"\sum",
    "∏": r"\prod",
    "∆": r"\Delta",
    "µ": r"\mu",
    "ς": r"\varsigma",
}


def _greek(letter: str) -> str:
    name = unicodedata.name(letter).split()[-1].lower().replace("lamda", "lambda")
    return f"\\{name.capitalize() if letter.isupper() else name}"


_MATHS |= {letter: _greek(letter) for letter in "αβγδεζηθικλμνξπρστυφχψωΓΔΘΛΞΠΣΥΦΨΩ"}
_SIGNS = (
    _PLAIN
    | {sign: f"${command}$" for sign, command in _MATHS.items()}
    | dict(zip("ΑΒΕΖΗΙΚΜΝΟΡΤΧο", "ABEZHIKMNOPTXo", strict=True))  # LaTeX has no others for these
    | {sign: rf"\textsuperscript{{{n}}}" for n, sign in enumerate("⁰¹²³⁴⁵⁶⁷⁸⁹")}
    | {sign: rf"\textsubscript{{{n}}}" for n, sign in enumerate("₀₁₂₃₄₅₆₇₈₉")}
)


def text(words: str) -> str:
    r"""Words with what LaTeX would read as commands, or does not know, written out.

    Examples
    --------
    >>> text("−1.5° & 42\u00a0%")
    '$-$1.5\\textdegree{} \\& 42~\\%'
    >>> text("√2·σ², Σα")
    '$\\surd$2\\textperiodcentered{}$\\sigma$\\textsuperscript{2}, $\\Sigma$$\\alpha$'
    """
    return "".join(_SIGNS.get(letter, letter) for letter in words)


def table(made: Table) -> str:
    """A table environment; needs the booktabs and textcomp packages."""
    layout = "".join("r" if flag else "l" for flag in made.numeric())
    lines = [
        r"% needs \usepackage{booktabs} and \usepackage{textcomp}",
        r"\begin{table}[htbp]",
        rf"\caption{{{text(made.title)}}}",
        rf"\label{{{made.name.replace('_', '-')}}}",
        rf"\begin{{tabular}}{{{layout}}}",
        r"\toprule",
        " & ".join(map(text, made.columns)) + r" \\",
        r"\midrule",
    ]
    for line, texts in zip(made.rows, made.texts(), strict=True):
        if line.heading:
            title = text(texts[0])
            lines.append(rf"\multicolumn{{{len(texts)}}}{{l}}{{\textbf{{{title}}}}} \\")
        else:
            lines.append(" & ".join(map(text, texts)) + r" \\")
    lines += [r"\bottomrule", r"\end{tabular}"]
    lines += [rf"\par\smallskip\footnotesize {text(note)}" for note in made.notes]
    return "\n".join([*lines, r"\end{table}", ""])
