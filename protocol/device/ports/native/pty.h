/* A pty in raw mode behind a link that keeps its name. */
#ifndef NT_NATIVE_PTY_H
#define NT_NATIVE_PTY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define NT_PATH_BYTES 4096u

struct nt_pty {
    int master;
    int slave; /* stays open: the line survives that hosts come and go */
    char link[NT_PATH_BYTES];
    char device[NT_PATH_BYTES];
};

/* Makes the pty and points the link at it; what is wrong is said on stderr. */
bool nt_pty_open(struct nt_pty *pty, const char *link);

/* Removes the link, if it still points here, and closes. */
void nt_pty_close(struct nt_pty *pty);

/* Bytes read or written now, 0 when none can be. */
size_t nt_pty_read(const struct nt_pty *pty, uint8_t *bytes, size_t room);
size_t nt_pty_write(const struct nt_pty *pty, const uint8_t *bytes, size_t n);

#endif
