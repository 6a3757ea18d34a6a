/* A disk that takes no more for one moment: the n-th write below a folder fails, those before and after it do not.
 *
 * Loaded before the C library (LD_PRELOAD), so that SQLite's own writes pass here as well as Python's. What counts as
 * a write: whatever asks the disk for room or makes what was written last. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static char folder[PATH_MAX];
static int left, seen;

/* The n-th write from now on below that folder fails; none if n is 0. */
void fail_at(int n, const char *below)
{
    strncpy(folder, below, sizeof folder - 1);
    left = n;
    seen = 0;
}

/* How many writes there were since; the failed one is the last of those that fail_at was told of. */
int writes_seen(void) { return seen; }

static int fails(const char *path)
{
    if (!*folder || strncmp(path, folder, strlen(folder)) != 0)
        return 0;
    seen++;
    if (left == 0 || --left > 0)
        return 0;
    errno = ENOSPC;
    return 1;
}

static int fails_for(int fd)
{
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0)
        return 0;
    path[length] = 0;
    return fails(path);
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
#define BY_FD(type, name, params, ...) \
    type name params { return fails_for(fd) ? -1 : REAL(name)(__VA_ARGS__); }
#define BY_PATH(name, params, ...) \
    int name params { return fails(path) ? -1 : REAL(name)(__VA_ARGS__); }
#define OPENING(name) \
    int name(const char *path, int flags, ...) \
    { \
        va_list more; \
        va_start(more, flags); \
        mode_t mode = flags & O_CREAT ? va_arg(more, mode_t) : 0; \
        va_end(more); \
        return flags & O_CREAT && access(path, F_OK) != 0 && fails(path) ? -1 : REAL(name)(path, flags, mode); \
    }

BY_FD(ssize_t, write, (int fd, const void *data, size_t size), fd, data, size)
BY_FD(ssize_t, pwrite, (int fd, const void *data, size_t size, off_t at), fd, data, size, at)
BY_FD(ssize_t, pwrite64, (int fd, const void *data, size_t size, off64_t at), fd, data, size, at)
BY_FD(int, ftruncate, (int fd, off_t size), fd, size)
BY_FD(int, ftruncate64, (int fd, off64_t size), fd, size)
BY_FD(int, fallocate, (int fd, int mode, off_t at, off_t size), fd, mode, at, size)
BY_FD(int, fsync, (int fd), fd)
BY_FD(int, fdatasync, (int fd), fd)
BY_PATH(mkdir, (const char *path, mode_t mode), path, mode)
BY_PATH(rename, (const char *path, const char *to), path, to)
BY_PATH(link, (const char *path, const char *to), path, to)
OPENING(open)
OPENING(open64)
