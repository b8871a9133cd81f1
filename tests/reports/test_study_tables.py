"""The table of a study plan as it is shown."""

from outcomes.reports.build.show import save_table
from outcomes.reports.study.tables import cautions, sizes
from outcomes.study.plan import plan_study


def test_one_rate_and_two_groups():
    one = plan_study(width=0.3, teeth_per_patient=8, simulations=20, drop_out=0.1)
    shown = sizes(one.table)
    assert shown["Patients needed"].tolist() == [str(one.table["patients"].iloc[0])]
    assert "Power" not in shown
    two = plan_study(difference=0.2, teeth_per_patient=8, simulations=20)
    shown = sizes(two.table)
    assert int(shown["In both groups"].iloc[0]) == 2 * int(shown["Patients in each group"].iloc[0])
    assert shown["Power"].iloc[0].endswith("%")


def test_a_size_that_is_out_of_reach_says_so_and_can_be_kept(tmp_path):
    plan = plan_study(difference=0.02, teeth_per_patient=8, simulations=20, most_patients=10)
    assert sizes(plan.table)["Patients in each group"].tolist() == ["more than 10 patients"]
    shown = save_table(plan.table, "size", tmp_path, view=sizes)
    assert "more than 10 patients" in shown.html
    assert (tmp_path / "tables" / "size.csv").exists()


def test_cautions_say_what_was_assumed():
    lines = cautions(plan_study(width=0.3, teeth_per_patient=8, simulations=20))
    assert lines[0].startswith("Assumed (stated): rate 0.50")
    assert any("statistician" in line for line in lines)
