"""A day file in which every command has every option, for tests of what reads such files."""

EVERY_OPTION = """\
format: rigcheck-day
version: 1
rigs:
  kestrel: {rig: rig.yaml, board: board.yaml}
performers:
  heron: {record: heron.yaml, looks: {glasses: false}}
steps:
  - {name: c, run: calibrate, rig: kestrel, footage: [a, b], prior: {file: p.yaml}, lens: brown5, flat_board: true,
     pair: index, offset_frames: -2}
  - {name: v, run: verify, rig: kestrel, footage: [a, b], calibration: c, label: worn, pair: timecode}
  - {name: f, run: fitting, rig: kestrel, performer: heron, footage: [a, b], calibration: c, points: [p1.yaml, p2.yaml]}
  - {name: p, run: picks, rig: kestrel, performer: heron, footage: [a], approved: f, want: [neutral, side, side],
     reference: 7, pictures: false}
  - {name: t, run: audit, rig: kestrel, takes: takes, calibration: c, end_calibration: {file: e.yaml}, approved: f,
     workers: 1}
"""
