#include "noinit.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

bool nt_noinit_open(struct nt_noinit *memory, const char *path)
{
    memset(memory, 0, sizeof *memory);
    memory->keep = &memory->own;
    if (path == NULL) {
        return true;
    }
    struct stat there;
    int file = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0644);
    bool opened = file >= 0 && fstat(file, &there) == 0;
    memory->survived = opened && there.st_size == (off_t)sizeof *memory->keep;
    if (!opened || ftruncate(file, (off_t)sizeof *memory->keep) != 0) {
        fprintf(stderr, "nightturn-native: %s: cannot be opened: %s\n", path, strerror(errno));
        return false;
    }
    /* Shared: what is written stands there even if the process is killed. */
    void *mapped = mmap(NULL, sizeof *memory->keep, PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
    close(file);
    if (mapped == MAP_FAILED) {
        fprintf(stderr, "nightturn-native: %s: cannot be mapped: %s\n", path, strerror(errno));
        return false;
    }
    memory->keep = mapped;
    return true;
}
