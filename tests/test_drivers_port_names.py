"""The names of ports, whose they are, and the sentences about them."""

from __future__ import annotations

import errno
import os

import pytest

from drivers import port_names
from drivers.port_names import (
    PortThere,
    found_again,
    is_known,
    is_local,
    may_be,
    needs_somebody,
    ports_there,
    trouble,
    who_holds,
)

WITH_SERIAL = (0x1234, 0x5678, "S1", "1-1")
NO_SERIAL = (0x1234, 0x5678, None, "1-2")


@pytest.fixture
def there(monkeypatch):
    """Decide which ports there are."""

    def be(*ports: PortThere) -> None:
        monkeypatch.setattr(port_names, "ports_there", lambda: list(ports))

    return be


def test_the_ports_of_this_computer_can_be_listed():
    assert all(port.name.startswith("/dev/") for port in ports_there())


def test_the_ports_are_looked_up_anew_only_when_the_kernel_lists_others(monkeypatch, tmp_path):
    looks = []
    monkeypatch.setattr(port_names, "_TERMINALS", str(tmp_path))
    monkeypatch.setattr(port_names.list_ports, "comports", lambda: looks.append(1) or [])
    (tmp_path / "ttyS0").touch()
    assert (ports_there(), ports_there(), len(looks)) == ((), (), 1)
    (tmp_path / "ttyUSB0").touch()
    assert (ports_there(), len(looks)) == ((), 2)
    monkeypatch.setattr(port_names, "_TERMINALS", str(tmp_path / "none"))
    assert (ports_there(), len(looks)) == ((), 3)


def test_an_adapter_that_vanishes_while_it_is_looked_up_is_no_error_and_looked_up_again(
    monkeypatch, tmp_path
):
    def gone():
        raise TypeError("int() can't convert non-string with explicit base")

    monkeypatch.setattr(port_names, "_TERMINALS", str(tmp_path))
    monkeypatch.setattr(port_names.list_ports, "comports", gone)
    (tmp_path / "ttyUSB9").touch()
    assert ports_there() == ()
    looks = []
    monkeypatch.setattr(port_names.list_ports, "comports", lambda: looks.append(1) or [])
    assert (ports_there(), looks) == ((), [1])


def test_network_ports_are_told_from_local_ones():
    assert is_local("/dev/ttyUSB0")
    assert not is_local("socket://10.0.0.7:4001")


def test_a_device_with_a_serial_number_is_found_wherever_it_is_plugged_in(there):
    there(
        PortThere("/dev/ttyUSB1", "", (0x1234, 0x5678, "S1", "3-3")),
        PortThere("/dev/ttyUSB2", "", (0x1234, 0x5678, "S2", "1-1")),
    )
    assert found_again("/dev/ttyUSB0", WITH_SERIAL) == "/dev/ttyUSB1"


def test_a_device_without_one_is_known_by_its_place_on_the_bus(there):
    there(
        PortThere("/dev/ttyUSB1", "", (0x1234, 0x5678, None, "1-3")),
        PortThere("/dev/ttyUSB2", "", (0x1234, 0x5678, None, "1-2")),
    )
    assert found_again("/dev/ttyUSB0", NO_SERIAL) == "/dev/ttyUSB2"


def test_two_that_could_be_it_are_no_answer(there):
    there(PortThere("/dev/ttyUSB1", "", WITH_SERIAL), PortThere("/dev/ttyUSB2", "", WITH_SERIAL))
    assert found_again("/dev/ttyUSB0", WITH_SERIAL) == "/dev/ttyUSB0"


def test_adapters_of_one_make_without_a_serial_number_may_all_be_it(there):
    names = ["/dev/ttyUSB1", "/dev/ttyUSB2"]
    there(
        PortThere(names[0], "", (0x1234, 0x5678, None, "1-3")),
        PortThere(names[1], "", (0x1234, 0x5678, None, "1-4")),
        PortThere("/dev/ttyUSB3", "", WITH_SERIAL),
        PortThere("/dev/ttyS0", "", None),
    )
    assert may_be("/dev/ttyUSB0", NO_SERIAL) == names
    assert may_be("/dev/ttyUSB0", WITH_SERIAL) == ["/dev/ttyUSB3"]
    assert may_be("/dev/ttyUSB0", (0x9999, 1, "S2", "1-1")) == ["/dev/ttyUSB0"]
    assert may_be("/dev/ttyS0", None) == ["/dev/ttyS0"]


def test_what_is_under_the_old_name_comes_first_but_is_only_a_guess(there, tmp_path):
    (tmp_path / "scale").touch()
    path = str(tmp_path / "scale")
    there(
        PortThere("/dev/ttyUSB1", "", (0x1234, 0x5678, None, "1-3")),
        PortThere(path, "", (0x1234, 0x5678, None, "1-4")),
    )
    assert may_be(path, NO_SERIAL) == [path, "/dev/ttyUSB1"]
    assert may_be(path, WITH_SERIAL) == [path]
    assert not is_known(path, NO_SERIAL)
    assert not is_known(path, WITH_SERIAL)
    assert is_known(path, None)
    assert is_known(path, (0x1234, 0x5678, None, "1-4"))


def test_one_of_two_with_the_same_serial_number_is_known_by_its_place_alone(there):
    again = (0x1234, 0x5678, "S1", "1-7")
    there(PortThere("/dev/ttyUSB1", "", WITH_SERIAL), PortThere("/dev/ttyUSB2", "", again))
    assert is_known("/dev/ttyUSB1", WITH_SERIAL)
    assert not is_known("/dev/ttyUSB2", WITH_SERIAL)
    there(PortThere("/dev/ttyUSB2", "", again))
    assert is_known("/dev/ttyUSB2", WITH_SERIAL)


def test_another_device_under_the_old_name_is_not_taken_for_ours(there):
    there(
        PortThere("/dev/ttyUSB0", "", (0x9999, 1, None, "1-1")),
        PortThere("/dev/ttyUSB1", "", WITH_SERIAL),
    )
    assert found_again("/dev/ttyUSB0", WITH_SERIAL) == "/dev/ttyUSB1"


def test_a_device_that_nothing_is_known_of_keeps_its_name(there):
    there(PortThere("/dev/ttyUSB1", "", WITH_SERIAL))
    assert found_again("/dev/ttyS0", None) == "/dev/ttyS0"


def test_who_has_a_file_open_is_said_by_name_and_number(tmp_path):
    path = tmp_path / "port"
    path.touch()
    assert who_holds(str(path)) is None
    with path.open():
        holder = who_holds(str(path))
        assert who_holds(str(path), others=True) is None
    assert holder is not None
    assert holder.endswith(f"(process {os.getpid()})")


def sentence(url: str, code: int) -> str:
    return trouble(url, OSError(code, os.strerror(code)))


def test_each_trouble_is_a_sentence_with_what_to_do(there):
    there()
    assert sentence("/dev/ttyUSB0", errno.ENOENT) == (
        "/dev/ttyUSB0 is not there: is the cable in, the scale on? No serial port is there at all"
    )
    assert "add the user to the group dialout" in sentence("/dev/ttyUSB0", errno.EACCES)
    assert "in use by another program" in sentence("/dev/ttyUSB0", errno.EBUSY)
    assert sentence("/dev/ttyUSB0", errno.EINVAL).endswith("Invalid argument")
    assert "is the converter on" in sentence("socket://x:1", errno.ECONNREFUSED)


def test_only_a_taken_or_forbidden_port_needs_somebody():
    assert needs_somebody(OSError(errno.EAGAIN, ""))
    assert needs_somebody(OSError(errno.EACCES, ""))
    assert not needs_somebody(OSError(errno.ENOENT, ""))
