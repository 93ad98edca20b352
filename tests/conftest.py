"""What all tests share: property tests are judged by what they find, not by the machine's speed."""

import signal

from hypothesis import settings

settings.register_profile("benchpour", deadline=None)
settings.load_profile("benchpour")

# Started by `nohup` or in the background of a script, the programs that tests start would inherit
# its deafness to a closed terminal and to Ctrl-C.
signal.signal(signal.SIGHUP, signal.SIG_DFL)
signal.signal(signal.SIGINT, signal.default_int_handler)
