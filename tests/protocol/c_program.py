"""A C program that reads frames' payloads with the generated header, prints every field and writes them again.

One line in, `kind hex`; out, `field=value` parts (floats as bits, bytes as hex), then `| hex` of what the program wrote, or
`refused`, or `unknown`. The program is written from the definition, so a new message is covered without a new test.
"""

from generator.definition import Definition, Field, Message, snake

START = r"""
#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include "nt_messages.h"

static void print_hex(const uint8_t *p, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        printf("%02x", p[i]);
    }
}

static void print_f32(float v)
{
    uint32_t u;
    memcpy(&u, &v, sizeof u);
    printf("0x%08" PRIx32, u);
}
"""
MAIN = r"""
int main(void)
{
    static char line[4096];
    static uint8_t in[2048];
    static uint8_t out[2048];
    while (fgets(line, sizeof line, stdin) != NULL) {
        unsigned kind = 0;
        int at = 0;
        size_t n = 0;
        unsigned byte = 0;
        if (sscanf(line, "%u %n", &kind, &at) != 1) {
            return 2;
        }
        while (sscanf(line + at, "%2x", &byte) == 1) {
            in[n++] = (uint8_t)byte;
            at += 2;
        }
        printf("lane=%d host=%d reply=%u ", nt_lane_of((uint8_t)kind), (int)nt_from_host((uint8_t)kind),
               (unsigned)nt_reply_kind((uint8_t)kind));
        show((uint8_t)kind, in, n, out);
        printf("\n");
    }
    return 0;
}
"""
CONVERSIONS = {
    "u8": "PRIu8",
    "u16": "PRIu16",
    "u32": "PRIu32",
    "u64": "PRIu64",
    "i32": "PRId32",
    "i64": "PRId64",
}


def _print(field: Field) -> list[str]:
    name = f"m.{field.name}"
    lines = [f'        printf("{field.name}=");']
    if field.type in CONVERSIONS:
        lines.append(f'        printf("%" {CONVERSIONS[field.type]}, {name});')
    elif field.type == "f32":
        lines.append(f"        print_f32({name});")
    elif field.type == "pairs":
        lines += [
            f"        for (size_t i = 0; i < {name}_count; i++) {{",
            f'            printf("%u:", (unsigned){name}[i].number);',
            f"            print_f32({name}[i].value);",
            '            printf(",");',
            "        }",
        ]
    else:
        lines.append(f"        print_hex({name}, {field.size or f'{name}_bytes'});")
    return [*lines, '        printf(" ");']


def _case(message: Message) -> list[str]:
    name = snake(message.name)
    lines = [f"    case NT_KIND_{name.upper()}: {{"]
    if not message.fields:
        return [
            *lines,
            "        (void)in;",
            "        (void)n;",
            '        printf("| ");',
            "        break;",
            "    }",
        ]
    lines += [
        f"        struct nt_{name} m;",
        f"        if (!nt_get_{name}(&m, in, n)) {{",
        '            printf("refused");',
        "            break;",
        "        }",
    ]
    for field in message.fields:
        lines += _print(field)
    return [
        *lines,
        f"        int written = nt_put_{name}(&m, out, NT_PAYLOAD_BYTES_MAX);",
        f"        if (written > 0 && nt_put_{name}(&m, out, (size_t)written - 1u) != -1) {{",
        '            printf("overran ");',
        "        }",
        '        printf("| ");',
        "        print_hex(out, written < 0 ? 0u : (size_t)written);",
        "        break;",
        "    }",
    ]


def c_program(definition: Definition) -> str:
    """The text of the program."""
    cases = [line for message in definition.messages for line in _case(message)]
    show = [
        "static void show(uint8_t kind, const uint8_t *in, size_t n, uint8_t *out)",
        "{",
        "    switch (kind) {",
    ]
    show += [*cases, "    default:", '        printf("unknown");', "        break;", "    }", "}"]
    return START + "\n".join(show) + "\n" + MAIN


def expected(message: Message, fields: dict[str, object], payload: str) -> str:
    """What the program prints for one vector."""
    parts = []
    for field in message.fields:
        value = fields[field.name]
        if isinstance(value, list):
            value = "".join(f"{number}:{bits}," for number, bits in value)
        parts.append(f"{field.name}={value} ")
    return "".join(parts) + f"| {payload}"
