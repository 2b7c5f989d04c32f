import os
import stat
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import pytest

from keyslip.broker import Broker, choose_broker, packaged_server, transport_options
from keyslip.data import SOCKET_PATH_BYTES, DataFolderError, private_folder, queue_socket, secret_key, write_private
from tests.house import PROJECT


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


def test_secret_key_is_made_once_and_only_its_owner_may_read_it(tmp_path):
    key = secret_key(tmp_path)
    assert len(key) > 50
    assert secret_key(tmp_path) == key
    assert mode(tmp_path / "secret_key") == 0o600
    assert [path.name for path in tmp_path.iterdir()] == ["secret_key"]


def test_two_first_users_at_the_same_time_get_the_same_key(tmp_path):
    with ThreadPoolExecutor(8) as pool:
        keys = set(pool.map(lambda _: secret_key(tmp_path), range(64)))
    assert len(keys) == 1


def test_empty_key_is_named_instead_of_used(tmp_path):
    (tmp_path / "secret_key").touch()
    with pytest.raises(DataFolderError, match="empty"):
        secret_key(tmp_path)


def test_private_folder_is_its_owners_alone(tmp_path):
    assert mode(private_folder(tmp_path / "a" / "b")) == 0o700


def test_folder_that_cannot_be_made_is_said_in_a_sentence(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(DataFolderError, match="KEYSLIP_DATA"):
        private_folder(tmp_path / "file" / "data")


def test_file_is_written_whole_or_not_at_all(tmp_path):
    path = tmp_path / "file"
    write_private(path, b"first")
    with pytest.raises(TypeError):
        write_private(path, "not bytes")
    assert path.read_bytes() == b"first"
    assert len(list(tmp_path.iterdir())) == 1


def test_queue_socket_leaves_the_data_folder_only_where_its_path_is_too_long(tmp_path):
    assert queue_socket(tmp_path).is_relative_to(tmp_path)
    long = tmp_path / ("x" * SOCKET_PATH_BYTES)
    assert len(os.fsencode(queue_socket(long))) <= SOCKET_PATH_BYTES
    assert queue_socket(long) == queue_socket(long)
    assert queue_socket(long) != queue_socket(long / "other")


def test_named_broker_is_taken_and_nothing_started(tmp_path):
    assert choose_broker(tmp_path, url="redis://elsewhere/0") == Broker(url="redis://elsewhere/0")


def test_packaged_queue_server_comes_first(tmp_path):
    broker = choose_broker(tmp_path)
    assert broker.server == packaged_server()
    assert broker.is_embedded
    assert broker.url == f"redis+socket://{tmp_path}/queue/queue.sock"


def test_queue_server_of_the_system_comes_second(tmp_path, monkeypatch):
    monkeypatch.setattr("keyslip.broker.packaged_server", lambda: None)
    server = tmp_path / "redis-server"
    server.touch(mode=0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert choose_broker(tmp_path).server == server


def test_folder_of_messages_is_the_last_resort(tmp_path, monkeypatch):
    monkeypatch.setattr("keyslip.broker.packaged_server", lambda: None)
    monkeypatch.setenv("PATH", "")
    broker = choose_broker(tmp_path)
    assert broker.url == "filesystem://"
    assert transport_options(broker, longest_job_s=10)["data_folder_in"] == str(tmp_path / "queue/messages")


def test_no_message_is_handed_out_twice_while_the_longest_job_runs():
    assert transport_options(Broker(url="redis://x/0"), longest_job_s=3600)["visibility_timeout"] > 3600


@pytest.mark.parametrize(
    ("variables", "said"),
    [
        ({"KEYSLIP_DEBUG": "perhaps"}, "KEYSLIP_DEBUG is 'perhaps'"),
        ({"KEYSLIP_SECRET_KEY_FILE": "/nowhere"}, "KEYSLIP_SECRET_KEY_FILE"),
        ({"KEYSLIP_DATA": "/proc/keyslip"}, "KEYSLIP_DATA"),
    ],
)
def test_wrong_setting_is_one_sentence_and_no_traceback(tmp_path, variables, said):
    run = subprocess.run(
        [sys.executable, "manage.py", "check"],
        cwd=PROJECT,
        env={"PATH": os.environ["PATH"], "KEYSLIP_DATA": str(tmp_path)} | variables,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert run.returncode == 1
    assert said in run.stderr
    assert "Traceback" not in run.stderr
