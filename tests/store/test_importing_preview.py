"""Reading a file of parts or nouns: what is taken, and how every fault is told. Nothing is stored here."""

import io
from datetime import datetime

import pytest
from openpyxl import Workbook

from planner import InputError
from planner.shop import (
    Aim,
    Condition,
    DueKind,
    Face,
    Family,
    GateKind,
    GateState,
    InsertGrade,
    Job,
    Limit,
    Machine,
    MatchedSet,
    Part,
    PartState,
    Shop,
)
from planner.store.importing import IMPORTS, documented_columns, preview
from planner.units import System

NOW = datetime(2026, 3, 2, 8, 30)
DECK = Face("deck", 300, 180, id=7, new_height_mm=120.65, limit=Limit(least_height_mm=119.9))
FAMILY = Family("Small head", "aluminium", (DECK, Face("intake", 200, 60, id=8)), id=3)
SHOP = Shop(
    families={3: FAMILY},
    parts={1: Part("A1", 3, id=1), 2: Part("Z9", 3, id=2, state=PartState.GONE), 4: Part("A4", 3, id=4)},
    jobs={1: Job(1, 7, id=1), 2: Job(4, 7, id=2)},
    sets={1: MatchedSet("engine 12", (1, 2), id=1)},
    machines={5: Machine("the mill", id=5, speeds_rpm=(300,))},
    grades={6: InsertGrade("diamond", id=6)},
)


def read(text, table="parts", units=None, filename="week.csv"):
    data = text if isinstance(text, bytes) else text.encode()
    return preview(data, filename, table, SHOP, units, now=NOW)


def only(found):
    """The single problem of a preview that may not be stored."""
    assert not found.ok and not found.parts and not found.nouns
    assert len(found.problems) == 1, [p.words for p in found.problems]
    return found.problems[0]


def spreadsheet(*rows):
    book = Workbook()
    for row in rows:
        book.active.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_a_whole_row_becomes_a_part_with_its_job():
    found = read(
        "tag,family,face,work_order,engine_serial,position,condition,gate_clean,gate_crack_check,hold_for,hold_reason,"
        "height_in,removed_before_thou,agreed_depth_thou,agreed_by,aim,depth_thou,due,due_kind,machine,rush\n"
        'H-1,small HEAD,deck,W1,S 1,left,heavily corroded,done wt 2026-02-27,open,customer,"go on, or stop?",'
        "4.7400,3,10,Ms Bell,to a depth,2.5,2026-03-05 15:00,assembly starts,The Mill,yes\n"
    )
    assert found.ok and found.kind == "CSV" and found.rows == 1
    part, job = found.parts[0].part, found.parts[0].job
    assert (part.tag, part.family_id, part.condition, part.position) == ("H-1", 3, Condition.HEAVILY_CORRODED, "left")
    assert part.heights[0].height_mm == pytest.approx(4.74 * 25.4) and part.heights[0].point == "middle"
    assert part.heights[0].at == NOW
    assert part.removed_before_mm == pytest.approx(0.0762) and part.agreed_depth_mm == pytest.approx(0.254)
    assert [(g.kind, g.state) for g in part.route] == [
        (GateKind.CLEAN, GateState.DONE),
        (GateKind.CRACK_CHECK, GateState.OPEN),
    ]
    assert part.holds[0].reason == "go on, or stop?"
    assert (job.face_id, job.aim, job.due_kind, job.machine_id, job.rush) == (
        7,
        Aim.TO_DEPTH,
        DueKind.ASSEMBLY,
        5,
        True,
    )
    assert job.depth_mm == pytest.approx(2.5 * 0.0254) and job.due == datetime(2026, 3, 5, 15)


def test_unknown_stays_unknown():
    part = read("tag,family\nH-1,Small head\n").parts[0]
    assert part.part.condition is Condition.UNKNOWN and part.part.removed_before_mm is None
    assert part.part.heights == () and part.job.due is None and part.job.face_id == 7


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_the_delimiter_is_found(delimiter):
    rows = (("tag", "family", "work_order"), ("H-1", "Small head", "W 1"))
    found = read("\n".join(delimiter.join(r) for r in rows))
    assert found.ok and found.parts[0].part.work_order == "W 1"


@pytest.mark.parametrize(
    ("heading", "cell", "said", "mm"),
    [
        ("height_in", "4.74", None, 120.396),
        ("height_mm", "120.396", None, 120.396),
        ("Height (mm)", "120,4", None, 120.4),  # a comma as decimal sign
        ("height", "120.396 mm", None, 120.396),  # the cell carries its unit
        ("height_in", "120.396 mm", None, 120.396),  # and goes before the heading
        ("height", "4.74", System.INCH, 120.396),
        ("height", "120.396", System.METRIC, 120.396),
        ("height_mm", "120.396", System.INCH, 120.396),  # the heading goes before what was said
    ],
)
def test_the_unit_is_stated_by_cell_heading_or_person(heading, cell, said, mm):
    found = read(f'tag;family;{heading}\nH-1;Small head;"{cell}"\n', units=said)
    assert found.ok, found.problems
    assert found.parts[0].part.heights[0].height_mm == pytest.approx(mm)


def test_the_unit_is_stated_by_a_units_column():
    found = read("tag,family,height,units\nH-1,Small head,120.4,metric\nH-2,Small head,120.5,metric\n")
    assert [n.part.heights[0].height_mm for n in found.parts] == pytest.approx([120.4, 120.5])


def test_a_units_column_that_changes_its_mind_is_told():
    found = read("tag,family,height,units\nH-1,Small head,120.4,metric\nH-2,Small head,4.74,inch\n")
    assert (3, "units") in {(p.row, p.column) for p in found.problems}


def test_bare_figures_are_asked_about():
    found = read("tag,family,height\nH-1,Small head,4.74\n")
    assert found.ask_units and not found.ok and not found.problems
    assert read("tag,family,height\nH-1,Small head,4.74\n", units=System.INCH).ok


def test_no_figures_no_question():
    assert read("tag,family,height\nH-1,Small head,\n").ok


def test_every_fault_of_every_row_is_told():
    found = read(
        "tag,family,condition,height_in,depth_thou,due,gate_clean,weight\n"
        "A1,Big head,sad,tall,-3,2026-03-05,done,0\n"
        "H-2,Small head,normal,4.74,1,2026-03-05 15:00,open,1\n"
        ",Small head,normal,4.74,1,05/03/2026,passed,1\n"
    )
    told = {(p.row, p.column): p for p in found.problems}
    assert set(told) == {
        *((2, c) for c in ("tag", "family", "condition", "height", "depth", "due", "gate_clean", "weight")),
        *((4, c) for c in ("tag", "due", "gate_clean")),
    }
    assert told[2, "family"].value == "Big head" and "Small head" in told[2, "family"].accepted
    assert told[2, "depth"].value == "-3" and "above 0" in told[2, "depth"].accepted
    assert "light, normal, warped" in told[2, "condition"].accepted
    assert "2026-03-05" in told[4, "due"].accepted
    assert told[2, "tag"].words.startswith("row 2, column tag: A1; accepted: ")
    assert found.parts == ()  # the good row is not kept either


def test_tags_twice_in_the_file():
    problem = only(read("tag,family\nH-1,Small head\nH-2,Small head\nh-1,Small head\n"))
    assert (problem.row, problem.column, problem.value) == (4, "tag", "h-1") and "row 2" in problem.accepted


def test_tags_the_shop_has():
    problem = only(read("tag,family\na1,Small head\n"))
    assert (problem.row, problem.column) == (2, "tag")
    assert read("tag,family\nZ9,Small head\n").ok  # its part left the shop


@pytest.mark.parametrize(
    "cell",
    [
        "4.74 m",  # 4.7 m
        "0.474 in",  # a digit lost
        "120.4 in",  # millimetres taken for inches
        "5.5 in",  # three quarters of an inch above new
        "0 mm",
        "-120.4 mm",
    ],
)
def test_impossible_heights(cell):
    problem = only(read(f"tag,family,height\nH-1,Small head,{cell}\n"))
    assert (problem.row, problem.column, problem.value) == (2, "height", cell)


@pytest.mark.parametrize("cell", ["4.75 in", "4.65 in", "122.5 mm"])
def test_possible_heights(cell):
    assert read(f"tag,family,height\nH-1,Small head,{cell}\n").ok


@pytest.mark.parametrize("cell", ["abc", "4.7.4", "nan", "inf", "1e999", "1,250", "4.74 furlong", "4 74"])
def test_what_is_no_number(cell):
    problem = only(read(f'tag,family,height_in\nH-1,Small head,"{cell}"\n'))
    assert (problem.row, problem.column, problem.value) == (2, "height", cell)


@pytest.mark.parametrize("cell", ["=1+1", "+cmd", "-x", "@sum", "=HYPERLINK(1)"])
@pytest.mark.parametrize("column", ["tag", "owner"])
def test_text_that_a_spreadsheet_would_run(cell, column):
    row = {"tag": "H-1", "family": "Small head"} | {column: cell}
    problem = only(read(",".join(row) + "\n" + ",".join(row.values()) + "\n"))
    assert (problem.column, problem.value) == (column, cell) and "= + - @" in problem.accepted


def test_formulas_of_a_spreadsheet():
    data = spreadsheet(["tag", "family", "height_in"], ["H-1", "Small head", "=4.7+0.04"], ["=A2", "Small head", 4.74])
    found = read(data)
    assert {(p.row, p.column, p.value) for p in found.problems} == {(2, "height", "=4.7+0.04"), (3, "tag", "=A2")}
    assert all("formula" in p.accepted for p in found.problems)


def test_a_spreadsheet_reads_like_a_csv():
    data = spreadsheet(
        ["tag", "family", "height_in", "due", "rush", None],
        [1043, "Small head", 4.74, datetime(2026, 3, 5, 15), True, None],
        [None] * 6,
        ["H-2", "Small head", "120.4 mm", "2026-03-06 12:00", "no", None],
    )
    found = read(data, filename="week.xlsx")
    assert found.ok and found.kind == "XLSX" and found.rows == 2
    first, second = found.parts
    assert first.part.tag == "1043" and first.job.due == datetime(2026, 3, 5, 15) and first.job.rush
    assert second.part.heights[0].height_mm == pytest.approx(120.4)


def test_a_hidden_sheet_is_not_read_and_sheets_left_are_named():
    book = Workbook()
    for name, tag in (("old", "H-0"), ("this week", "H-1"), ("next week", "H-2")):
        page = book.create_sheet(name)
        page.append(["tag", "family"])
        page.append([tag, "Small head"])
    del book["Sheet"]
    book["old"].sheet_state = "hidden"
    book.active = 1
    out = io.BytesIO()
    book.save(out)
    found = read(out.getvalue(), filename="week.xlsx")
    assert found.ok and [p.part.tag for p in found.parts] == ["H-1"] and found.left == ("old", "next week")


def test_a_due_date_without_a_time_is_not_taken_for_midnight():
    data = spreadsheet(["tag", "family", "due"], ["H-1", "Small head", datetime(2026, 3, 5)])
    assert "time of day" in only(read(data)).accepted
    assert "time of day" in only(read("tag,family,due\nH-1,Small head,2026-03-05\n")).accepted


HEADED = "tag,family,owner\nH-1,Small head,Änne\n"


def test_utf8_with_and_without_its_mark():
    for encoding in ("utf-8", "utf-8-sig"):
        assert read(HEADED.encode(encoding)).parts[0].part.owner == "Änne"


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "latin-1", "cp1252"])
def test_other_encodings_are_refused_and_named(encoding):
    problem = only(read(HEADED.encode(encoding)))
    assert problem.row == 0 and "UTF-8" in problem.accepted
    assert ("UTF-16" if encoding.startswith("utf") else "row 2") in problem.value


@pytest.mark.parametrize(
    ("data", "value"),
    [
        (b"", "empty"),
        (b"\xef\xbb\xbf \r\n\n", "empty"),
        (b"tag,family\n", "headings only"),
        (b"PK\x03\x04 cut short", "damaged"),
        (bytes.fromhex("d0cf11e0a1b11ae1") + b"\0" * 600, "week.csv"),
        (b'tag,family\n"H-1,Small head\n', "row 2"),
        (b"%PDF-1.7\n\x00\x01binary\x00", "not text"),
    ],
)
def test_files_that_hold_no_table(data, value):
    problem = only(read(data))
    assert problem.row == 0 and value in problem.value


def test_a_file_only_named_as_a_spreadsheet():
    assert "whatever its name says" in only(read(b"tag,family\nH-1,Small head\n", filename="week.xlsx")).value


def test_a_zip_that_is_no_spreadsheet():
    import zipfile

    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("tag.csv", "tag,family\nH-1,Small head\n")
    assert only(read(out.getvalue())).value == "a zip archive"


def test_a_spreadsheet_that_unpacks_to_far_more_is_refused():
    import zipfile

    out = io.BytesIO(spreadsheet(["tag", "family"], ["H-1", "Small head"]))
    with zipfile.ZipFile(out, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/media/pad.bin", b"\0" * 210_000_000)
    assert len(out.getvalue()) < 1_000_000
    assert "unpacked" in only(read(out.getvalue())).value


def test_50_mb_are_refused_before_anything_is_read():
    # not even text: reading it would answer otherwise
    problem = only(read(b"\xff" * 50_000_000))
    assert problem.value == "50 MB" and "below 50 MB" in problem.accepted


def test_too_many_rows():
    text = "tag,family\n" + "".join(f"H-{i},Small head\n" for i in range(10_001))
    assert "10000 rows" in only(read(text)).value


def test_a_missing_column_is_told_once_and_not_for_every_row():
    problem = only(read("tag,owner\nH-1,x\nH-2,y\n"))
    assert (problem.row, problem.column) == (1, "family") and "family" in problem.accepted


def test_a_column_twice():
    assert only(read("tag,family,height_in,height_mm\nH-1,Small head,4.74,120\n")).column == "height"


def test_columns_not_read_are_named_and_a_near_miss_is_asked_about():
    found = read("tag,family,colour,heigth_in\nH-1,Small head,red,4.74\n")
    assert found.ok and found.ignored[0] == "colour" and "is height meant?" in found.ignored[1]


def test_a_comma_too_many():
    assert "1.2" in only(read("tag,family\nH-1,Small head,1.2\n")).value


def test_short_rows_are_filled_with_unknown():
    assert read("tag,family,owner\nH-1,Small head\n").ok


def test_rows_with_one_set_name_belong_together():
    found = read(
        "tag,family,set,set_tolerance_thou\nH-1,Small head,engine 7,2\nH-2,Small head,,\nH-3,Small head,Engine 7,\n"
    )
    assert found.ok and found.sets[0].members == (0, 2)
    assert found.sets[0].tolerance_mm == pytest.approx(0.0508)


@pytest.mark.parametrize(
    ("rows", "column", "told"),
    [
        ("H-1,Small head,lonely,\nH-2,Small head,,\n", "set", "two or more"),
        ("H-1,Small head,engine 12,\nH-2,Small head,engine 12,\n", "set", "no open set"),
        ("H-1,Small head,s,2\nH-2,Small head,s,3\n", "set_tolerance", "one tolerance"),
        ("H-1,Small head,,2\n", "set", "name of the set"),
        ("H-1,Small head,s,0\nH-2,Small head,s,\n", "set_tolerance", "above 0"),
    ],
)
def test_sets_that_cannot_be(rows, column, told):
    problem = only(read("tag,family,set,set_tolerance_thou\n" + rows))
    assert problem.column == column and told in problem.accepted


@pytest.mark.parametrize(
    ("headings", "cells", "column"),
    [
        ("face", "cover", "face"),
        ("machine", "lathe", "machine"),
        ("gasket", "none such", "gasket"),
        ("aim", "to a depth", "depth"),
        ("hold_for", "customer", "hold_reason"),
        ("point", "middle", "height"),
        ("height_in,point", "4.74,nowhere", "point"),
        ("removed_before_in", "3", "removed_before"),
        ("gate_clean", "done 2026-02-27", "gate_clean"),
        ("owner", "x" * 81, "owner"),
    ],
)
def test_what_does_not_fit_the_shop_or_itself(headings, cells, column):
    assert only(read(f"tag,family,{headings}\nH-1,Small head,{cells}\n")).column == column


def test_families_come_with_their_faces():
    found = read(
        "family,material,part_kind,face,face_kind,length_in,width_in,new_height_in,least_height_in,ra_greatest_uin\n"
        "Long head,grey iron,head,deck,deck,26,8.5,5.9,5.86,100\nlong head,,,cover,end or cover,8,4,,,\n",
        "families",
    )
    assert found.ok
    (family,) = found.nouns
    assert (family.name, family.material) == ("Long head", "grey_iron")
    assert [f.name for f in family.faces] == ["deck", "cover"]
    assert family.faces[0].least_height_mm == pytest.approx(5.86 * 25.4)
    assert family.faces[0].ra_greatest_um == pytest.approx(2.54)
    assert family.faces[1].new_height_mm is None and not family.faces[1].limit.known


def test_family_rows_name_their_own_columns_in_problems():
    found = read(
        "family,material,face,length_mm,width_mm,new_height_mm,least_height_mm,net_share\n"
        "Small head,aluminium,deck,300,180,,,\n"  # the shop has it
        "New,steel,deck,300,0,100,101,2\n"
        "New,aluminium,DECK,300,180,,,\n",
        "families",
    )
    told = {(p.row, p.column) for p in found.problems}
    assert {(2, "family"), (3, "material"), (3, "width"), (3, "net_share"), (4, "face"), (4, "material")} <= told


@pytest.mark.parametrize(
    ("table", "text", "check"),
    [
        ("gaskets", "gasket,crushed_in\nThin,0.04\n", lambda n: n.crushed_mm == pytest.approx(1.016)),
        ("grades", "grade,positions,stock\nCBN,4,3\n", lambda n: (n.positions, n.stock) == (4, 3)),
        (
            "machines",
            "machine,speeds_rpm,end_of_pass,instrument,counts,per_turn_thou,step_thou\n"
            "M,100; 200,run clear,dial,down,50,1\n",
            lambda n: n.speeds_rpm == (100, 200) and n.instrument.per_turn_mm == pytest.approx(1.27),
        ),
        ("people", "person,initials,machines\nBell,ab,the mill\n", lambda n: n.machine_ids == (5,)),
        (
            "cutters",
            "cutter,diameter_in,machine,grade,max_rpm\nFly,12,the mill,diamond,\n",
            lambda n: (n.machine_id, n.grade_id, n.max_rpm) == (5, 6, None),
        ),
        (
            "recipes",
            "material,grade,speed_ft_min,rough_feed_in_rev,finish_feed_in_rev,least_pass_thou,usual_pass_thou,"
            "greatest_pass_thou\naluminium,diamond,2500,0.006,0.004,0.5,1.5,4\n",
            lambda n: n.speed_m_min == pytest.approx(762) and n.finish_feed_mm == pytest.approx(0.1016),
        ),
    ],
)
def test_the_shops_own_nouns(table, text, check):
    found = read(text, table)
    assert found.ok, [p.words for p in found.problems]
    assert check(found.nouns[0])


def test_a_magnesium_recipe_needs_a_signature():
    text = (
        "material,grade,speed_ft_min,rough_feed_in_rev,finish_feed_in_rev,least_pass_thou,usual_pass_thou,"
        "greatest_pass_thou\nmagnesium,diamond,500,0.007,0.005,1,3,6\n"
    )
    assert only(read(text, "recipes")).column == "signed_by"


@pytest.mark.parametrize("table", sorted(IMPORTS))
def test_every_table_is_documented(table):
    rows = documented_columns(IMPORTS[table], System.INCH)
    assert len(rows) == len(IMPORTS[table].columns)
    assert all(r["heading"] and r["what"] and r["accepted"] for r in rows)
    assert any(r["needed"] for r in rows)


def test_an_unknown_kind_of_table():
    with pytest.raises(InputError, match="parts"):
        read("tag\nx\n", "boats")
