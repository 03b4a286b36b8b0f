"""Bad input gets one clear line that says what to do, exit code 3, no traceback, and nothing half-written."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest
from PIL import Image

from coatclass.cli import main


@pytest.fixture
def photo(tmp_path):
    path = tmp_path / "dog.jpg"
    Image.effect_noise((400, 300), 60).convert("RGB").save(path)
    return path


def bad_photos(tmp_path, photo):
    whole = photo.read_bytes()
    (tmp_path / "empty.jpg").write_bytes(b"")
    (tmp_path / "cut.jpg").write_bytes(whole[: len(whole) // 2])
    (tmp_path / "text.jpg").write_text("this is no picture")
    frames = [Image.new("RGB", (64, 64), colour) for colour in ("red", "blue")]
    frames[0].save(tmp_path / "moving.webp", save_all=True, append_images=frames[1:])
    (tmp_path / "folder.jpg").mkdir()
    return {
        name: tmp_path / name
        for name in ("missing.jpg", "empty.jpg", "cut.jpg", "text.jpg", "moving.webp", "folder.jpg")
    }


@pytest.mark.parametrize("name", ["missing.jpg", "empty.jpg", "cut.jpg", "text.jpg", "moving.webp", "folder.jpg"])
def test_a_photo_that_cannot_be_opened_is_refused_by_name(tmp_path, photo, capsys, name):
    path = bad_photos(tmp_path, photo)[name]
    assert main(["assess", str(path), "--json"]) == 3
    printed = capsys.readouterr()
    assessment = json.loads(printed.out)
    (report,) = assessment["photos"]
    assert report["status"] == "refused"
    assert report["reasons"][0]["text"].endswith(".")
    assert assessment["verdict"] == "unusable_photo"
    assert assessment["kit"] == []
    assert name in printed.err
    assert "Traceback" not in printed.err


def test_a_refused_photo_beside_answers_does_not_spoil_them(tmp_path, capsys):
    answers = tmp_path / "answers.json"
    answers.write_text('{"breed": "beagle", "feel": "harsh", "trunk_length_mm": 12}')
    assert main(["assess", str(tmp_path / "missing.jpg"), "--answers", str(answers), "--json"]) == 0
    assessment = json.loads(capsys.readouterr().out)
    assert assessment["regime"] == "answers"
    assert assessment["photos"][0]["status"] == "refused"
    assert assessment["kit"]


def test_a_picture_without_a_dog_is_refused_too_and_among_others_it_is_named(photo, tmp_path, capsys):
    assert main(["assess", str(photo), "--json"]) == 3
    assert f"{photo}: No dog" in capsys.readouterr().err
    other = tmp_path / "other.jpg"
    other.write_text("no picture")
    assert main(["assess", str(photo), str(other), "--breed", "beagle", "--json"]) == 0
    said = capsys.readouterr().err
    assert f"{photo}: " in said and f"{other}: " in said


@pytest.mark.photos
def test_a_refused_photo_among_good_ones_is_named_and_the_others_are_used(photos, tmp_path, capsys):
    letter = tmp_path / "letter.jpg"
    letter.write_text("Dear groomer")
    good = photos / "oxford" / "havanese_1.jpg"
    assert main(["assess", str(good), str(letter), "--json"]) == 0
    printed = capsys.readouterr()
    assert "letter.jpg" in printed.err and "havanese" not in printed.err
    assert [one["status"] for one in json.loads(printed.out)["photos"]] == ["used", "refused"]


@pytest.mark.parametrize(
    ("content", "named"),
    [
        ("", "answers.json"),
        ("not json", "answers.json"),
        ("[1, 2]", "answers.json"),
        ('{"colour": "red"}', "colour"),
        ('{"trunk_length_mm": "long"}', "trunk_length_mm"),
        ('{"trunk_length_mm": -4}', "trunk_length_mm"),
        ('{"feel": "crunchy"}', "feel"),
        ('{"mats": {"elbow": "mats"}}', "elbow"),
        ('{"parents": ["poodle", "beagle", "pug"]}', "parents"),
    ],
)
def test_bad_answers_are_refused_by_question(tmp_path, capsys, content, named):
    answers = tmp_path / "answers.json"
    answers.write_text(content)
    assert main(["assess", "--answers", str(answers)]) == 3
    printed = capsys.readouterr()
    assert named in printed.err
    assert "Traceback" not in printed.err
    assert printed.out == ""


def test_every_problem_of_an_answers_file_is_named_at_once(tmp_path, capsys):
    answers = tmp_path / "answers.json"
    answers.write_text('{"feel": "crunchy", "colour": "red", "weight_kg": 900}')
    assert main(["assess", "--answers", str(answers)]) == 3
    said = capsys.readouterr().err
    assert all(word in said for word in ("feel", "colour", "weight_kg"))


def test_nothing_given_is_bad_usage(capsys):
    assert main(["assess"]) == 2
    assert "photo" in capsys.readouterr().err


@pytest.mark.parametrize(("out", "problem"), [("table.xlsx", ".csv"), ("nowhere/table.csv", "folder")])
def test_a_table_that_cannot_be_written_is_refused_before_any_work(tmp_path, photo, capsys, out, problem):
    assert main(["score", str(photo.parent), "--out", str(tmp_path / out)]) == 3
    assert problem in capsys.readouterr().err
    assert not list(tmp_path.glob("table*"))


def test_a_folder_without_photos_is_refused(tmp_path, capsys):
    assert main(["score", str(tmp_path), "--out", str(tmp_path / "t.csv")]) == 3
    assert "no photos" in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments", [["groom"], ["score"], ["assess", "--tooth"], ["score", "x", "--out", "y", "--shard", "3/2"]]
)
def test_bad_usage_has_exit_code_2(arguments):
    with pytest.raises(SystemExit) as stopped:
        main(arguments)
    assert stopped.value.code == 2


def test_help_loads_nothing_heavy():
    code = "import sys; from coatclass.cli import main\ntry: main(['--help'])\nexcept SystemExit: pass\n"
    code += (
        "print(sorted({'numpy', 'pydantic', 'sklearn', 'onnxruntime', 'gradio', 'torch', 'PIL'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_answers_alone_open_no_picture():
    code = "import sys; from coatclass.cli import main\nmain(['assess', '--breed', 'beagle', '--json'])\n"
    code += "print({'PIL', 'onnxruntime', 'coatclass.photo'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.splitlines()[-1] == "set()"


def test_assessing_loads_neither_torch_nor_scikit_learn(photo):
    code = (
        f"import sys; from coatclass.cli import main\nmain(['assess', {str(photo)!r}, '--breed', 'beagle', '--json'])\n"
    )
    code += (
        "print({'sklearn', 'torch', 'pandas', 'gradio', 'sqlalchemy', 'scipy', 'matplotlib', 'rapidfuzz', 'numpy.ma'}"
        " & set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.splitlines()[-1] == "set()"
