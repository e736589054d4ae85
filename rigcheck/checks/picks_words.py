"""What to ask of the performer, in plain and kind words, for each reason why a clip holds no good frame."""

from collections.abc import Sequence

from rigcheck.model.picking import PickPose

__all__ = ["ask_for", "why_none"]

_MOST = 3
_ASKS = {
    "eyes_shut": "keep the eyes open for a slow count of three; rest and blink before it as often as is comfortable",
    "blink_near": "blink freely first, then keep the eyes open for a slow count of three",
    "looks_near": "look past the cameras at something at least two metres away, at eye height",
    "looks_aside": "look straight ahead at something far, not to the side",
    "looks_up_or_down": "look level at something far, at eye height",
    "mouth_open": "close the mouth lightly, the teeth just apart behind the lips",
    "lips_apart": "let the lips touch lightly all along, as when listening",
    "lips_near": "let the lips touch lightly all along, and hold for a slow count of three",
    "lips_pressed": "let the lips rest on each other without pressing; breathe out once first",
    "lips_pursed": "let the corners of the mouth go; the lips need do nothing",
    "mouth_drawn": "let the face go, no smile: breathe out once and think of nothing in particular",
    "brows_moved": "let the forehead go",
    "jaw_aside": "let the jaw hang in the middle, the teeth just apart",
    "moving": "hold for a slow count of three",
    "head_moving": "rest the head against something, and hold for a slow count of three",
    "no_teeth": "close the back teeth lightly and draw the lips away, as when showing the teeth to a dentist",
    "rows_apart": "let the teeth meet, lightly",
    "grimace": "do less: bare the teeth with the lips alone, forehead and eyes at ease",
    "not_turned": "turn the head a little to the side, about a quarter of the way to the shoulder",
    "turned_too_far": "turn the head back a little: both corners of both eyes must be seen",
    "eye_hidden": "turn the head back a little: both corners of both eyes must be seen",
}
_TECHNICAL = {
    "soft": "check the focus on eyes and cheeks, then film again",
    "no_face": "check that the whole face is in both pictures, then film again",
    "nothing_seen": "check that this is the clip with the face, and the in and out points",
}
_FIRST = {
    "neutral": "Film a neutral again, and ask kindly: ",
    "bite": "Film a bite again, and ask kindly: ",
    "side": "Film a side view again, and ask kindly: ",
}
_AT_EASE = {
    "neutral": "face at ease, lips touching lightly, eyes at something far, for a slow count of three",
    "bite": "back teeth closed lightly, lips drawn away from the teeth, for a slow count of three",
    "side": "head turned a little, face at ease, for a slow count of three",
}


def ask_for(pose: PickPose, missing: Sequence[str]) -> str:
    """Say what to film again and what to ask for, from the codes of what is missing, the commonest first."""
    asks = list(dict.fromkeys(_ASKS[code] for code in missing if code in _ASKS))[:_MOST]
    technical = [_TECHNICAL[code] for code in missing if code in _TECHNICAL][:1]
    sentence = _FIRST[pose] + "; ".join(asks or [_AT_EASE[pose]]) + "."
    if technical:
        sentence += f" And {technical[0]}."
    return sentence + " Nobody holds a face for long: short tries, with rests."


_WHY = {
    "eyes_shut": "eyes are shut",
    "blink_near": "a blink is on the way",
    "looks_near": "the eyes look at something near",
    "looks_aside": "the eyes look aside",
    "looks_up_or_down": "the eyes look up or down",
    "mouth_open": "the mouth is open",
    "lips_apart": "the lips are not sealed all along",
    "lips_near": "the lips part or close",
    "lips_pressed": "the lips are pressed",
    "lips_pursed": "the lips are pursed",
    "mouth_drawn": "the mouth smiles or is drawn",
    "brows_moved": "the brows are not at rest",
    "jaw_aside": "the jaw is to one side",
    "moving": "the face moves",
    "head_moving": "the head moves in the helmet",
    "soft": "the picture is soft",
    "no_teeth": "no teeth are seen",
    "rows_apart": "the rows of teeth are apart",
    "grimace": "the whole face grimaces",
    "not_turned": "the head is not turned",
    "turned_too_far": "the head is turned too far",
    "eye_hidden": "the far eye is hidden",
    "no_face": "no face is found",
    "nothing_seen": "no face was seen anywhere in the clip",
}


def why_none(missing: Sequence[str]) -> str:
    """Say what keeps the clip from a good frame, the commonest first."""
    return ", ".join(_WHY.get(code, code.replace("_", " ")) for code in list(missing)[:_MOST])
