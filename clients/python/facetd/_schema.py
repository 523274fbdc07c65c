"""Message classes of the schema, made when this module is imported.

The classes come from ``schema.binpb``, a set of file descriptors, in a descriptor
pool of our own: nothing is registered globally, so another package with the same
files (``google.rpc`` in particular) does not clash with this one.
"""

from __future__ import annotations

import importlib.resources
from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory


class _Schema:
    def __init__(self) -> None:
        files = descriptor_pb2.FileDescriptorSet()
        files.ParseFromString(importlib.resources.files(__package__).joinpath("schema.binpb").read_bytes())
        self._pool = descriptor_pool.DescriptorPool()
        for f in files.file:
            self._pool.AddSerializedFile(f.SerializeToString())
        self.files: tuple[Any, ...] = tuple(self._pool.FindFileByName(f.name) for f in files.file)
        if hasattr(message_factory, "GetMessageClass"):  # protobuf 4.22 and newer
            self._make = message_factory.GetMessageClass
        else:
            self._make = message_factory.MessageFactory(self._pool).GetPrototype
        self._classes: dict[str, Any] = {}

    def message(self, name: str) -> Any:
        """Returns the class of a message; a name without dots is of facetd.v1.

        Raises KeyError when the schema has none of that name.
        """
        full = name if "." in name else "facetd.v1." + name
        cls = self._classes.get(full)
        if cls is None:
            cls = self._classes[full] = self._make(self._pool.FindMessageTypeByName(full))
        return cls

    def method(self, name: str) -> Any:
        """Returns the descriptor of a method such as "TaskService/ListTasks".

        Raises KeyError when the schema has none of that name.
        """
        service, _, method = name.partition("/")
        full = service if "." in service else "facetd.v1." + service
        return self._pool.FindServiceByName(full).methods_by_name[method]

    def enum(self, name: str) -> Any:
        """Returns the descriptor of an enumeration of facetd.v1."""
        return self._pool.FindEnumTypeByName("facetd.v1." + name)


schema = _Schema()


def value(m: Any, name: str) -> Any:
    """Returns a field of a message; None where it can be unset and is."""
    if m.DESCRIPTOR.fields_by_name[name].has_presence and not m.HasField(name):
        return None
    return getattr(m, name)


def new(message: str, **fields: Any) -> Any:
    """Returns a message with these fields; fields that are None stay unset."""
    return schema.message(message)(**{k: v for k, v in fields.items() if v is not None})
