"""Writes C functions around the generated header's inline codecs, one pair a message, so that Python can call them.

Written from definition.toml: a message that is added there cannot be forgotten here.
"""

import sys
import tomllib
from pathlib import Path

from generator.definition import Definition, Message, parse, snake

DEFINITION = Path(__file__).resolve().parents[2] / "protocol" / "definition.toml"
HEAD = """/* written by tests/device/message_glue.py; do not edit */
#include "nt_messages.h"

"""


def _pair(message: Message) -> str:
    name = snake(message.name)
    if not message.fields:
        return ""
    return f"""
bool h_get_{name}(struct nt_{name} *m, const uint8_t *p, size_t n);
bool h_get_{name}(struct nt_{name} *m, const uint8_t *p, size_t n)
{{
    return nt_get_{name}(m, p, n);
}}

int h_put_{name}(const struct nt_{name} *m, uint8_t *p, size_t room);
int h_put_{name}(const struct nt_{name} *m, uint8_t *p, size_t room)
{{
    return nt_put_{name}(m, p, room);
}}

size_t h_size_{name}(void);
size_t h_size_{name}(void)
{{
    return sizeof(struct nt_{name});
}}
"""


def _again(message: Message) -> str:
    name = snake(message.name)
    return f"""
    case NT_KIND_{name.upper()}: {{
        struct nt_{name} m;
        return nt_get_{name}(&m, p, n) ? nt_put_{name}(&m, out, room) : -1;
    }}"""


def message_glue(definition: Definition) -> str:
    """The text of the C file: a pair of functions a message, and one that reads any payload and writes it again."""
    again = "".join(_again(message) for message in definition.messages if message.fields)
    return f"""{HEAD}{"".join(map(_pair, definition.messages))}
int h_again(uint8_t kind, const uint8_t *p, size_t n, uint8_t *out, size_t room);
int h_again(uint8_t kind, const uint8_t *p, size_t n, uint8_t *out, size_t room)
{{
    switch (kind) {{{again}
    default:
        return -1;
    }}
}}
"""


if __name__ == "__main__":
    definition = parse(tomllib.loads(DEFINITION.read_text(encoding="utf-8")))
    Path(sys.argv[1]).write_text(message_glue(definition), encoding="utf-8")
