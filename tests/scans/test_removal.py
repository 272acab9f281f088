"""A folder is gone although another thread still writes into it."""

import threading
import time

from ossicle.scans.removal import remove_folder


def test_a_folder_still_being_filled_is_gone_once_the_writer_ends(tmp_path):
    folder = tmp_path / "work"
    (folder / "c").mkdir(parents=True)
    running = threading.Event()

    def write():
        for i in range(200):
            (folder / "c").mkdir(parents=True, exist_ok=True)
            try:
                (folder / "c" / str(i)).write_bytes(b"x")
            except FileNotFoundError:
                continue  # emptied between the two steps
            running.set()
            time.sleep(0.001)

    writer = threading.Thread(target=write)
    writer.start()
    assert running.wait(10)
    remove_folder(folder, watch_seconds=0.3)
    assert not writer.is_alive()
    assert not folder.exists()


def test_nothing_to_remove_is_no_error(tmp_path):
    remove_folder(tmp_path / "none")
    assert list(tmp_path.iterdir()) == []
