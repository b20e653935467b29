"""The text of the report."""

HEAD = """\
# What must hold, on every scene and captured clip

Made by

    target/outside/venv/bin/python tests/must_show/report.py

(what it needs first is at its head). A test makes some of the rows again and compares.

**Rows.** All demo scenes (`demo-scenes`), with the settings of the scene, and all captured clips
(`tests/captures/REPORT.md` says what they are) on all characters, with the settings as they are.

**Methods.** *Plain transfer*: rotations and scaled travel, nothing else. *Per frame*: the same solver, asked to solve
every frame by itself (`--per-frame`, `together: Frame` in a settings file): the same contacts at the same places, the
same terms, less every one that ties a frame to another. *Whole clip*: as it is used. *Kept apart*: the same, with parts kept
out of each other (`--keep-apart`, `keep_out` in a settings file).

**Measures** are taken on the skinned mesh in every frame, by `crates/measure`, which knows nothing of how a clip was
solved: soles in `mesh/soles.rs`, touches in `mesh/meetings.rs`, what goes into what beyond the take in
`mesh/beyond.rs`, fast accelerations in `tremor.rs`, jumps in `edges.rs`, peaks in `peaks.rs`. Which contacts a take has is found
by the solver, from published girths around the take's bones. Contacts that a limb is too short for are not told from
others: every frame of every contact counts."""

MISSES = """\
The worst rows of each target with the whole clip solved, and the frames to look at
(`understudy-workbench --offscreen --screenshot out.png --frame N SCENE`)."""

COLUMNS = """\
A cell that misses its target ends in "!"; "-" is a value that there is not. In the order of the columns:"""

WHY = {
    "slide": "What is held goes with one joint and stands still to a hundredth of a millimetre: skin of the toes, as far ahead of "
    "their joint as the ball may lie. Where the skin is shared with the ankle nearly up to the tip of the toes (the giant's feet), "
    "or where toes and ankle turn far against each other, linear blend skinning still pulls at it.",
    "sink": "The lowest vertex of a planted foot lies on the floor; where it does not, the leg does not reach.",
    "float": "As for sinking.",
    "rest": "What stands is kept first: where the foot of a leg stands flat, its knee cannot come down to the floor, or up from "
    "it, by more than the leg allows; trunk and seat lie by their lowest skin, and one shift of the whole body answers knees "
    "of both legs, before each is bent by itself.",
    "gap": "The solve looks at vertices of the touching part against the touched skin, near the place of the touch; here "
    "vertices of both, everywhere, are looked at. Two hands with thick fingers then go into each other unseen, unless `keep_out` is set.",
    "kept": "A contact counts as kept only if both skins are within 2 mm in all of its frames.",
    "invented": "Limbs that pass near the body of a broad character go into it; nothing holds them out unless "
    "`keep_out` is set.",
    "deep": "Pairs that the take lacks count in full: the second arms of the weaver go along with the first, and into them; tails are "
    "passed through. Penetration is measured and shown but no term of the solve takes it away, but for touching skins and, where "
    "`keep_out` is set, arms against all else and legs against each other and the trunk.",
    "volume": "As for depth; bringing hands together in front of a broad chest takes forearms through it, so that the whole "
    "clip may have more than plain transfer.",
    "fast": "Built-in takes are smooth by construction, so that a correction of little energy is many times the take's; the "
    "numbers behind each are the root mean squares of take and result. In captured clips the fades of planting add to it.",
    "jumps": "Clips of 16 to 30 frames per second: there a fade of an eighth of a second has two to four frames, and its "
    "first step is larger than its neighbours. A noisy take, whose contacts follow fast on each other, has some too.",
    "lag": "The correlation of speeds over all limbs is best with a shift.",
    "peaks": "A limb that reaches elsewhere moves at another speed; peaks of the wrists move where touches bring hands "
    "together, those of the ankles where feet stand longer than plain transfer lets them.",
    "limbs": "Arms too short for a touch take trunk and clavicles along before and after it.",
}
