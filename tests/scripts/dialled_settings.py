"""What somebody dialled, judged: what is not met, who loses the image, what differs."""

from fillalign import OutputSettings, evaluate, plan_fills, read_demo_venue

room = read_demo_venue("lantern_room")
dialled = {"Fill": OutputSettings(delay_ms=12.0, trim_db=0.0, low_cut_hz=120.0)}
found = evaluate(room, dialled)
fill = found.fill("Fill")
seats = found.seats()
lost = seats[seats["covered"] & ~seats["keeps_image"]]
late_ms = fill.answers.equal_level_ms - dialled["Fill"].delay_ms
kinds = [finding.kind.name for finding in fill.findings]
planned = plan_fills(room)
better = {name: (value, found.figures()[name]) for name, value in planned.figures().items()
          if value != found.figures()[name]}
