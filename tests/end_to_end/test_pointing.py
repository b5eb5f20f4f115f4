"""Sample photos that are refused or read wrong as they are, and right with a finger on what was missed."""

from __future__ import annotations

from tests.conftest import SAMPLES, ask, truth

MANY_U = 4.0  # standard uncertainties: passed by chance once in 16,000 lengths if u is right


def at(name: str, feature: str) -> str:
    x, y = truth(name)["detail"]["key"]["points"][feature]["px_upper_face"]
    return f"{x:.0f},{y:.0f}"


def test_of_two_keys_the_one_pointed_at_is_read() -> None:
    answer = ask(SAMPLES / "two-keys.jpg", "--key", at("two-keys", "tip"))
    assert answer.status == 0, answer.stderr
    assert answer.json["candidates"][0]["profile"] in truth("two-keys")["same_blade"]
    assert answer.json["bitting"]["code"] == "-".join(cut["code"] for cut in truth("two-keys")["cuts"])
    assert answer.json["pointed"] == [{"what": "key", "u": None}]


def test_a_shoulder_pointed_at_repairs_a_blank_that_was_read_as_cut() -> None:
    true = truth("uncut-blank")
    answer = ask(SAMPLES / "uncut-blank.jpg", "--stop", at("uncut-blank", "shoulder_edge_A"))
    assert answer.status == 0, answer.stderr
    blade = answer.json["blade"]
    assert (blade["stop"], blade["edges"]) == ("shoulder", None)
    assert abs(blade["length"]["value"] - true["length_mm"]) < MANY_U * blade["length"]["u"]
    assert answer.json["candidates"][0]["profile"] in true["same_blade"]
    assert [fact["what"] for fact in answer.json["pointed"]] == ["stop"]
