"""A de-identified copy holds the same records and none of the input's identifiers.

Pseudonyms: HMAC-SHA-256 (RFC 2104; FIPS 198-1), recomputed here by hand. Ages: US HHS Safe Harbor
method, 45 CFR 164.514(b)(2)(i)(C): all ages over 89 in one category of 90 or older. All persons are
invented.
"""

import hashlib
import os
import re
import stat

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from outcomes.clinical.achieved import achievement
from outcomes.cohort import deidentify as made
from outcomes.cohort import pseudonyms
from outcomes.cohort.deidentify import deidentify, small_groups
from outcomes.cohort.identifying import trade_words
from outcomes.cohort.read import read_cohort
from outcomes.cohort.residue import Identifiers, residue
from outcomes.errors import CohortError, Identifying, InputError, OutputRefused

MOVEMENTS = """patient,tooth (FDI),movement,planned,achieved,aim,Actual Name,mood,seen
Chart-7,13,rotation,12,8.5,10,Anna Muster,calm,2024-02-01
Chart-7,23,rotation,-8,-4.25,,Anna Muster,calm,2024-02-01
Chart-8,13,rotation,9,4,,Bert Beispiel,tense,2024-03-05
Chart-8,23,rotation,5,,,Bert Beispiel,tense,2024-03-05
Chart-9,13,rotation,7,5,,Carla Caso,calm,
Chart-9,99,rotation,7,5,,Carla Caso,calm,
"""
PATIENTS = """patient,sex,age,clinician,site
Chart-7,female,89,Zoe,Northbridge
Chart-8,male,89.5,Zoe,Southbridge
Chart-9,female,93,Yves,Northbridge
"""
COURSES = """patient,course,start,end
Chart-7,2,2024-08-01,
Chart-7,1,2024-01-15,2024-07-01
Chart-8,1,2024-03-01,2024-09-01
Chart-9,1,,2024-09-01
"""
DROP, KEEP = ["actual name"], ["mood", "seen"]


@pytest.fixture
def practice(tmp_path):
    folder = tmp_path / "practice"
    folder.mkdir()
    (folder / "movements.csv").write_text(MOVEMENTS)
    (folder / "patients.csv").write_text(PATIENTS)
    (folder / "courses.csv").write_text(COURSES)
    return folder


@pytest.fixture
def run(practice, tmp_path):
    def run(out="shared", key="our.key", drop=DROP, keep=KEEP, **options):
        return deidentify(
            practice, tmp_path / out, key=tmp_path / key, drop=drop, keep=keep, **options
        )

    return run


def everything(path):
    files = [path] if path.is_file() else sorted(path.iterdir())
    return "\n".join(file.read_text() for file in files)


def csv(path, **options):
    return pd.read_csv(path, dtype=str, keep_default_na=False, **options)


# ---- what is written ----------------------------------------------------------------------------


def test_none_of_the_identifiers_stand_in_the_copy_anywhere(run):
    text = everything(run().path)
    for word in ("Chart", "Anna", "Muster", "Beispiel", "Caso", "Zoe", "Yves", "bridge", "2024"):
        assert word.casefold() not in text.casefold(), word
    assert not re.search(r"\d{4}-\d\d-\d\d", text)


def test_the_copy_reads_back_with_the_same_rates(run, practice):
    before, after = read_cohort(practice), read_cohort(run().path)
    for cohort in (before, after):
        assert len(cohort.movements) == 4
        assert len(cohort.unmeasured) == 1
        assert len(cohort.treated) == 3
    pd.testing.assert_frame_equal(*(achievement(c.movements) for c in (before, after)))
    assert sorted(after.movements["aim"]) == sorted(before.movements["aim"])
    assert len(after.blank_aims) == 4


def test_the_input_is_left_as_it_is(run, practice):
    before = {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in practice.iterdir()}
    run()
    assert before == {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in practice.iterdir()}


def test_only_ages_over_89_become_90(run):
    ages = csv(run().path / "patients.csv")["age"].astype(float)
    assert sorted(ages) == [89, 90, 90]


def test_dates_become_days_since_the_first_day_of_course_1(run):
    result = run()
    courses = csv(result.path / "courses.csv")
    assert set(courses.columns) == {"patient", "course", "start_day", "end_day"}
    days = set(courses[["course", "start_day", "end_day"]].itertuples(index=False, name=None))
    assert days == {("1", "0", "168"), ("2", "199", ""), ("1", "0", "184"), ("1", "", "")}
    assert set(csv(result.path / "movements.csv")["seen_day"]) == {"17", "4", ""}
    assert any("courses, end: 1 date is left blank" in note for note in result.notes)


def test_rows_stand_in_the_order_of_the_pseudonyms(run):
    patients = csv(run().path / "movements.csv")["patient"].tolist()
    assert patients == sorted(patients)


def test_the_report_says_what_was_done(run):
    result = run()
    done = result.columns.set_index(["table", "column"])["done"]
    assert done["movements", "Actual Name"] == "dropped, as asked"
    assert done["movements", "mood"] == "kept, as asked"
    assert done["patients", "site"] == "replaced by pseudonyms"
    counts = result.counts.set_index("table")
    assert counts.loc["movements"].tolist() == [6, 5, 1]
    assert result.small_groups["patients"].sum() == 3
    text = result.report.read_text()
    assert text == repr(result)
    assert "no guarantee of anonymity" in text
    assert "data protection officer decide" in text
    assert not {"Chart", "Muster", "Zoe"} & set(re.findall(r"\w+", text))


def test_groups_of_four_are_small_and_groups_of_five_are_not():
    few = pd.DataFrame({"sex": ["female"] * 4 + ["male"] * 5, "age": [20.9] * 9})
    assert small_groups(few).values.tolist() == [["20", "female", 4]]


@pytest.mark.parametrize("out", ["shared.xlsx", "shared"])
def test_a_workbook_or_a_folder(run, out, tmp_path):
    assert read_cohort(run(out).path).movements["patient"].nunique() == 3
    assert {p.name for p in tmp_path.iterdir()} == {"practice", out, "shared-report.md", "our.key"}


def test_occasions_keep_their_order_and_lose_their_days(tmp_path):
    rows = pd.DataFrame(
        {"patient": "Chart-7", "tooth": 13, "movement": "rotation", "reader": "Zoe", "reading": 1,
         "value": [1.0, 2.0, 3.0], "occasion": ["2024-03-01", "2024-01-02", "2024-02-01"]}
    )  # fmt: skip
    folder = tmp_path / "p"
    folder.mkdir()
    (folder / "movements.csv").write_text(
        "patient,tooth (FDI),movement,planned,achieved\nChart-7,13,rotation,1,1\n"
    )
    rows.to_csv(folder / "repeats.csv", index=False)
    result = deidentify(folder, tmp_path / "out", key=tmp_path / "k")
    read = csv(result.path / "repeats.csv").sort_values("value")
    assert read["occasion"].tolist() == ["3", "1", "2"]
    assert read["reader"].str.match(r"R-[A-Z2-9]{4}-").all()


def test_invented_records_stay_marked(run, practice):
    (practice / "invented.md").write_text("Invented.")
    assert read_cohort(run().path).invented
    assert read_cohort(run("again.xlsx").path).invented


# ---- pseudonyms ---------------------------------------------------------------------------------


def by_hand(key: bytes, message: bytes) -> bytes:
    """HMAC as RFC 2104 has it: H(K xor opad, H(K xor ipad, text)), blocks of 64 bytes."""
    block = key.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in block) + message).digest()
    return hashlib.sha256(bytes(b ^ 0x5C for b in block) + inner).digest()


@given(st.binary(min_size=32, max_size=32), st.text(max_size=12))
def test_a_pseudonym_is_the_hmac_of_its_code(key, code):
    code = code.encode("utf-8", "ignore").decode()
    number = int.from_bytes(by_hand(key, b"P\x1f" + code.encode()), "big")
    text = ""
    for base, signs in [(20, "BCDFGHJKLMNPQRSTVWXZ"), (8, "23456789")] * 6:
        number, place = number // base, number % base
        text += signs[place]
    assert pseudonyms.pseudonym(key, "P", code) == f"P-{text[:4]}-{text[4:8]}-{text[8:]}"


@given(st.sets(st.text(min_size=1, max_size=8), min_size=1), st.binary(min_size=32, max_size=32))
def test_the_same_key_gives_the_same_and_another_key_others(codes, key):
    codes = {code.encode("utf-8", "ignore").decode() for code in codes} - {""}
    one = pseudonyms.pseudonyms(key, "P", sorted(codes))
    assert one == pseudonyms.pseudonyms(key, "P", sorted(codes, reverse=True))
    assert len(set(one.values())) == len(codes)
    other = pseudonyms.pseudonyms(bytes(b ^ 1 for b in key), "P", codes)
    assert not set(one.values()) & set(other.values())


def test_two_codes_of_one_pseudonym_are_refused(monkeypatch):
    monkeypatch.setattr(pseudonyms, "_PAIRS", 1)
    with pytest.raises(OutputRefused, match="the same pseudonym"):
        pseudonyms.pseudonyms(bytes(32), "P", [str(n) for n in range(200)])


def test_next_year_the_same_patient_has_the_same_pseudonym(run, practice):
    def drawn(result):
        return csv(result.path / "patients.csv").set_index("sex")["patient"]["male"]

    first = drawn(run("first"))
    more = MOVEMENTS.replace("Chart-7,13", "Aaa-1,13")
    (practice / "movements.csv").write_text(more)
    assert drawn(run("second")) == first
    assert drawn(run("third", key="other.key")) != first


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_the_key_is_its_owners_alone_and_never_written_anew(run, tmp_path):
    run("first")
    key = tmp_path / "our.key"
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    held = key.read_bytes()
    run("second")
    assert key.read_bytes() == held
    with pytest.raises(OutputRefused, match="left as it is"):
        pseudonyms.write_key(key, bytes(32))
    key.chmod(0o640)
    assert any("Others on this machine" in note for note in run("third").notes)


def test_a_file_that_is_no_key_is_left_alone(run, tmp_path):
    (tmp_path / "our.key").write_text("my diary\n")
    with pytest.raises(InputError, match="is not a key"):
        run()
    assert (tmp_path / "our.key").read_text() == "my diary\n"
    assert not (tmp_path / "shared").exists()


def test_the_key_may_not_lie_in_what_is_given_away(run):
    with pytest.raises(OutputRefused, match="may not lie in"):
        run(key="shared/our.key")


# ---- what is refused ----------------------------------------------------------------------------


def test_every_refused_column_is_listed_and_nothing_is_written(run, tmp_path):
    with pytest.raises(Identifying) as caught:
        run(drop=[], keep=[])
    assert set(caught.value.problems["column"]) == {"Actual Name", "mood", "seen"}
    assert "cannot be de-identified: 3 problems" in str(caught.value)
    assert 'Say --drop "Actual Name".' in str(caught.value)
    assert [p.name for p in tmp_path.iterdir()] == ["practice"]


def own_column(tmp_path, values, heading="extra", keep=("extra",), drop=()):
    rows = [f'P-{n + 1:02d}x,13,rotation,5,{n}.5,"{v}"' for n, v in enumerate(values)]
    path = tmp_path / "own.csv"
    path.write_text(
        "\n".join([f"patient,tooth (FDI),movement,planned,achieved,{heading}", *rows, ""])
    )
    return deidentify(path, tmp_path / "own-out.csv", key=tmp_path / "k", keep=keep, drop=drop)


LONG = "one two three four five six"


@pytest.mark.parametrize(
    ("values", "why"),
    [
        (["a@example.org", "x"], "an e-mail address"),
        (["+49 30 1234567", "x"], "a telephone number"),
        (["born 3.4.1985", "x"], "a date"),
        (["Anna Muster", "x"], "a person's name"),
        (["1000000", "2"], "seven digits"),
        ([LONG + " seven", "x"], "free text"),
        (["a", "b", "c", "d", "e"], "works like a name"),
        (["1", "2", "3"], "the patients' codes"),
        (["2024-01-01", "2024-01-02"], "no start of treatment"),
    ],
)
def test_columns_that_may_name_somebody_can_only_be_dropped(tmp_path, values, why):
    with pytest.raises(Identifying, match=re.escape(why)):
        own_column(tmp_path, values)
    own_column(tmp_path, values, keep=(), drop=("EXTRA",))


@pytest.mark.parametrize(
    "values", [[LONG, "x"], ["999999", "2"], ["a", "b", "c", "d"], ["a", "b", "c", "d", "d"]]
)
def test_what_stays_within_the_limits_can_be_kept(tmp_path, values):
    result = own_column(tmp_path, values)
    assert set(
        read_cohort(result.path).movements["extra"].astype(str).str.removesuffix(".0")
    ) == set(values)


@pytest.mark.parametrize(("seen", "refused"), [("2019-01-15", False), ("2019-01-14", True)])
def test_dates_over_five_years_before_treatment_are_refused(run, practice, seen, refused):
    text = MOVEMENTS.replace("Chart-7,13,rotation,12,8.5,10,Anna Muster,calm,2024-02-01",
                             f"Chart-7,13,rotation,12,8.5,10,Anna Muster,calm,{seen}")  # fmt: skip
    (practice / "movements.csv").write_text(text)
    if refused:
        with pytest.raises(Identifying, match="birth dates"):
            run()
    else:
        run()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"drop": [*DROP, "nonsense"]}, "There is no column nonsense"),
        ({"drop": [*DROP, "mood"]}, "not both"),
        ({"drop": [*DROP, "tooth"]}, "cannot be dropped"),
        ({"out": "shared.parquet"}, "a name ending in"),
        ({"out": "shared.csv"}, "room for movements only"),
    ],
)
def test_wrong_use(run, options, said):
    with pytest.raises(InputError, match=said):
        run(**options)


def test_a_personal_column_cannot_be_kept(run):
    with pytest.raises(Identifying, match="points to a person"):
        run(drop=[], keep=[*KEEP, "Actual Name"])


@pytest.mark.parametrize("there", ["shared", "shared-report.md"])
def test_what_exists_is_left_alone(run, tmp_path, there):
    (tmp_path / there).write_text("mine")
    with pytest.raises(OutputRefused, match="exists already"):
        run()
    assert (tmp_path / there).read_text() == "mine"


def test_a_copy_in_the_cohort_itself_is_refused(run):
    with pytest.raises(OutputRefused, match="lies in the cohort"):
        run("practice/shared.xlsx")


def test_a_cohort_with_stop_problems_is_refused(practice, run):
    (practice / "movements.csv").write_text("patient,tooth\nP1,13\n")
    with pytest.raises(CohortError, match="cannot be analysed"):
        run()


# ---- the last look ------------------------------------------------------------------------------


@pytest.mark.parametrize("mood", ["as Chart-7", "Muster", "like Zoe", "northbridge", "chart 8"])
def test_a_name_or_code_in_a_kept_column_stops_everything(run, practice, tmp_path, mood):
    (practice / "movements.csv").write_text(MOVEMENTS.replace("tense", mood))
    with pytest.raises(OutputRefused, match="movements, mood: a code or a name of the input"):
        run()
    assert [p.name for p in tmp_path.iterdir()] == ["practice"]


def test_the_last_look_sees_what_the_choice_let_through(run, monkeypatch, tmp_path):
    monkeypatch.setattr(made, "pseudonyms", lambda key, letter, codes: {c: c for c in codes})
    with pytest.raises(OutputRefused, match="movements, patient: a code or a name"):
        run()
    assert [p.name for p in tmp_path.iterdir()] == ["practice"]


@pytest.mark.parametrize(("code", "found"), [("1234", True), ("123", False)])
def test_a_code_of_four_digits_is_seen_among_own_numbers(tmp_path, code, found):
    path = tmp_path / "movements.csv"
    path.write_text(f"patient,tooth,movement,planned,achieved,own\nx,13,rotation,1,1,{code}\n")
    left = residue(path, Identifiers.of([code], []), frozenset("x"))
    assert bool(left) == found


def test_a_heading_is_looked_at_too(tmp_path):
    path = tmp_path / "movements.csv"
    path.write_text("patient,tooth,movement,planned,achieved,as Muster says\nx,13,rotation,1,1,2\n")
    assert residue(path, Identifiers.of([], ["Anna Muster"]), frozenset("x")) == [
        "movements: a heading"
    ]


#: A name that is also a word of the schema, as "Site", stands in every copy as a heading.
NAMES = (
    st.text("abcdefghijklmnopqrstuvwxyzäöü", min_size=4, max_size=9)
    .map(str.capitalize)
    .filter(lambda name: name.casefold() not in trade_words())
)
CODES = st.from_regex(r"[A-Z]{2,4}-[0-9]{1,4}", fullmatch=True)


@settings(
    max_examples=15,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    deadline=None,
)
@given(
    patients=st.dictionaries(CODES, st.tuples(NAMES, NAMES), min_size=2, max_size=6),
    site=NAMES,
    data=st.data(),
)
def test_whatever_the_names_none_is_in_the_copy(tmp_path_factory, patients, site, data):
    home = tmp_path_factory.mktemp("any")
    (home / "in").mkdir()
    rows = [
        f"{code},{tooth},rotation,{data.draw(st.integers(1, 30))},{tooth / 7},{' '.join(names)}"
        for code, names in patients.items()
        for tooth in (13, 23)
    ]
    head = "patient,tooth (FDI),movement,planned,achieved,nombre completo"
    (home / "in" / "movements.csv").write_text("\n".join([head, *rows, ""]), encoding="utf-8")
    people = "\n".join(f"{code},{site}" for code in patients)
    (home / "in" / "patients.csv").write_text(f"patient,site\n{people}\n", encoding="utf-8")
    result = deidentify(home / "in", home / "out", key=home / "key", drop=["nombre completo"])
    cells = {c for f in result.path.iterdir() for c in csv(f).to_numpy().ravel()}
    headings = {c for f in result.path.iterdir() for c in csv(f).columns}
    words = {w.casefold() for cell in cells | headings for w in re.findall(r"[^\W_]+", cell)}
    for code, names in patients.items():
        assert code not in cells
        assert not {n.casefold() for n in names} & words
    assert site.casefold() not in words
    before, after = read_cohort(home / "in").movements, read_cohort(result.path).movements
    assert np.array_equal(np.sort(before["achieved"]), np.sort(after["achieved"]))
