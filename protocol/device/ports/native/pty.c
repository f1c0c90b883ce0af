#include "pty.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

static bool failed(const char *path, const char *what)
{
    fprintf(stderr, "nightturn-native: %s: %s: %s\n", path, what, strerror(errno));
    return false;
}

static bool make_raw(int slave)
{
    struct termios settings;
    if (tcgetattr(slave, &settings) != 0) {
        return false;
    }
    cfmakeraw(&settings);
    settings.c_iflag &= ~(tcflag_t)IXOFF;
    return tcsetattr(slave, TCSANOW, &settings) == 0;
}

/* The new link takes the old one's place in one step: whoever looks finds one or the other. */
static bool place_link(const struct nt_pty *pty)
{
    char beside[NT_PATH_BYTES + 32u];
    struct stat there;
    if (lstat(pty->link, &there) == 0 && !S_ISLNK(there.st_mode)) {
        fprintf(stderr, "nightturn-native: %s: a file that is not a link has this name; choose another one\n",
                pty->link);
        return false;
    }
    snprintf(beside, sizeof beside, "%s.%ld", pty->link, (long)getpid());
    unlink(beside);
    if (symlink(pty->device, beside) != 0) {
        return failed(pty->link, "the link cannot be made");
    }
    if (rename(beside, pty->link) != 0) {
        failed(pty->link, "the link cannot be made");
        unlink(beside);
        return false;
    }
    return true;
}

bool nt_pty_open(struct nt_pty *pty, const char *link)
{
    pty->slave = -1;
    size_t link_bytes = strlen(link) + 1u;
    if (link_bytes > sizeof pty->link) {
        errno = ENAMETOOLONG;
        return failed("--link", "the link cannot be made");
    }
    memcpy(pty->link, link, link_bytes);
    pty->master = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (pty->master < 0 || grantpt(pty->master) != 0 || unlockpt(pty->master) != 0 ||
        ptsname_r(pty->master, pty->device, sizeof pty->device) != 0) {
        return failed(link, "there is no pty to be had");
    }
    pty->slave = open(pty->device, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (pty->slave < 0 || !make_raw(pty->slave) || fcntl(pty->master, F_SETFL, O_NONBLOCK) != 0) {
        return failed(pty->device, "the pty cannot be set up");
    }
    return place_link(pty);
}

void nt_pty_close(struct nt_pty *pty)
{
    char target[NT_PATH_BYTES];
    ssize_t n = readlink(pty->link, target, sizeof target - 1u);
    if (n > 0) {
        target[n] = '\0';
        if (strcmp(target, pty->device) == 0) {
            unlink(pty->link);
        }
    }
    close(pty->master);
    close(pty->slave);
}

size_t nt_pty_read(const struct nt_pty *pty, uint8_t *bytes, size_t room)
{
    ssize_t n = read(pty->master, bytes, room);
    return n > 0 ? (size_t)n : 0;
}

size_t nt_pty_write(const struct nt_pty *pty, const uint8_t *bytes, size_t n)
{
    ssize_t written = write(pty->master, bytes, n);
    return written > 0 ? (size_t)written : 0;
}
