"""What the law of the host speaks about: moments, readings, events, actions, records and its state.

Nothing here acts. Times come in inside events; moments are whole milliseconds so that they compare exactly.
"""

from controller.control.model.actions import *  # noqa: F403
from controller.control.model.events import *  # noqa: F403
from controller.control.model.moments import *  # noqa: F403
from controller.control.model.names import *  # noqa: F403
from controller.control.model.records import *  # noqa: F403
from controller.control.model.state import *  # noqa: F403
