/* Words on stdin that make things go wrong, or right again. */
#ifndef NT_NATIVE_COMMANDS_H
#define NT_NATIVE_COMMANDS_H

#include "nt_device.h"
#include "nt_plant.h"

#define NT_COMMAND_BYTES 128u

struct nt_commands {
    bool ended;    /* nobody will say anything any more */
    bool too_long; /* the rest of a line nobody means is dropped */
    size_t held;
    char text[NT_COMMAND_BYTES];
};

/* Takes what stands in stdin and answers each line on stdout; does not wait. */
void nt_commands_read(struct nt_commands *commands, struct nt_plant *plant, const struct nt_device *d);

#endif
