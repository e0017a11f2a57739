"""Whether anyone has a file open for writing, as far as the system can tell."""

from __future__ import annotations

import errno
import fcntl
import signal


def written_to(descriptor: int) -> bool | None:
    """Ask for a read lease on an open file, and give it back at once.

    The system grants it only while nobody has the file open for writing. It tells the owner of the
    file and holders of CAP_LEASE only, and file systems on this machine only.

    Args:
        descriptor: a regular file, open for reading.

    Returns:
        True: someone has it open for writing. False: nobody has. None: the system does not tell.
    """
    try:
        # whoever opens the file while the lease stands makes the system send a signal, and the
        # usual one would end this process; this one is ignored unless asked for
        fcntl.fcntl(descriptor, fcntl.F_SETSIG, signal.SIGURG)
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_RDLCK)
    except OSError as error:
        return True if error.errno == errno.EAGAIN else None
    fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    return False
