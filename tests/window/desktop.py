"""What the checks of the window share: a screen in memory that the processor draws on."""

import os
import shutil
import subprocess
import sys

SIZE = (960, 640)
PACKAGES = (
    "xvfb xauth mesa-vulkan-drivers libxkbcommon-x11-0 libx11-xcb1 libxcursor1 libxi6 libxrandr2"
)


def fail(text):
    sys.exit(f"window: {text}")


def need_tools():
    for tool in ("xvfb-run", "xauth"):
        if not shutil.which(tool):
            fail(f"{tool} is missing: apt-get install {PACKAGES}")


def environment(**changes):
    env = dict(os.environ, **changes)
    # The processor draws, so that every machine draws the same.
    drivers = "/usr/share/vulkan/icd.d"
    names = os.listdir(drivers) if os.path.isdir(drivers) else []
    software = [os.path.join(drivers, name) for name in names if name.startswith("lvp_icd")]
    if not software:
        fail(f"software Vulkan is missing: apt-get install {PACKAGES}")
    env["VK_DRIVER_FILES"] = env["VK_ICD_FILENAMES"] = software[0]
    return env


def on_screen(folder, program, *options):
    """Runs the window on a screen of its own until it ends. It keeps its own files in `folder`."""
    screen = f"-screen 0 {SIZE[0]}x{SIZE[1]}x24"
    command = ["xvfb-run", "-a", "-s", screen, program, *options]
    command += ["--size", f"{SIZE[0]}x{SIZE[1]}"]
    own = ("HOME", "XDG_RUNTIME_DIR", "XDG_CONFIG_HOME", "XDG_DATA_HOME")
    done = subprocess.run(
        command,
        env=environment(**{name: folder for name in own}),
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    if done.returncode:
        fail(f"{' '.join(command)} ended with {done.returncode}: {done.stderr[-2000:]}")
    return done
