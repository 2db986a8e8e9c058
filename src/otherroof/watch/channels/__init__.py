"""The ways out of this machine: the Channel port, one file for each of its implementations, and `build`, which chooses.

Only the port can be had from here: whoever passes messages on need not wait for mail and the web.
"""

from otherroof.watch.channels.port import Channel, Message, MessageKind

__all__ = ["Channel", "Message", "MessageKind"]
