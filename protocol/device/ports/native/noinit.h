/* A file as the memory that a reset does not clear. */
#ifndef NT_NATIVE_NOINIT_H
#define NT_NATIVE_NOINIT_H

#include "nt_keep.h"

struct nt_noinit {
    struct nt_keep *keep;
    bool survived; /* the file was there: this start is a reset, not power-on */
    struct nt_keep own;
};

/* NULL: the memory lives no longer than the process. What is wrong is said on stderr. */
bool nt_noinit_open(struct nt_noinit *memory, const char *path);

#endif
