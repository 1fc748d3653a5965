/* Lets the n-th call of one kind fail, once or from then on, in a program started with LD_PRELOAD.
 *
 * FAIL_KIND    open, read, write, sync or connect; "none" counts only
 * FAIL_AT      number of the call that fails first, from 1
 * FAIL_FOR     how many calls fail from there on
 * FAIL_ERRNO   the errno that they fail with
 * FAIL_UNDER   files under this path are counted, and sockets; nothing else
 * FAIL_TELL    file that gets one line: pid, calls counted of each kind, calls that failed
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

enum kind { OPEN, READ, WRITE, SYNC, CONNECT, KINDS };
static const char *names[KINDS] = {"open", "read", "write", "sync", "connect"};
static atomic_long counted[KINDS], failed;
static int wanted = -1, error_number, ready;
static long first, many;
static const char *under;

#define NEXT(type, name, ...) \
    static type (*next)(__VA_ARGS__); \
    if (!next) next = (type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)

__attribute__((constructor)) static void begin(void)
{
    const char *kind = getenv("FAIL_KIND");
    under = getenv("FAIL_UNDER");
    if (!kind || !under) return;
    for (int k = 0; k < KINDS; k++)
        if (!strcmp(kind, names[k])) wanted = k;
    first = atol(getenv("FAIL_AT") ? getenv("FAIL_AT") : "0");
    many = atol(getenv("FAIL_FOR") ? getenv("FAIL_FOR") : "1");
    error_number = atoi(getenv("FAIL_ERRNO") ? getenv("FAIL_ERRNO") : "5");
    ready = 1;
}

__attribute__((destructor)) static void end(void)
{
    const char *tell = getenv("FAIL_TELL");
    if (!ready || !tell) return;
    ready = 0;
    FILE *file = fopen(tell, "a");
    if (!file) return;
    fprintf(file, "%d", (int)getpid());
    for (int k = 0; k < KINDS; k++) fprintf(file, " %ld", counted[k]);
    fprintf(file, " %ld\n", failed);
    fclose(file);
}

/* Whether this call is the one, or one of those, that fail. */
static int fails(enum kind kind)
{
    long number = ++counted[kind];
    if ((int)kind != wanted || number < first || number >= first + many) return 0;
    failed++;
    errno = error_number;
    return 1;
}

static int ours(int fd)
{
    if (!ready || fd < 3) return 0;
    char link[64], path[512];
    int kept = errno;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    errno = kept;
    if (length <= 0) return 0;
    path[length] = 0;
    return !strncmp(path, under, strlen(under)) || !strncmp(path, "socket:", 7);
}

static int ours_by_name(const char *path) { return ready && path && !strncmp(path, under, strlen(under)); }

static mode_t mode_of(int flags, va_list rest) { return flags & (O_CREAT | O_TMPFILE) ? va_arg(rest, mode_t) : 0; }

#define OPENS(name) \
    int name(const char *path, int flags, ...) \
    { \
        NEXT(int, #name, const char *, int, ...); \
        va_list rest; \
        va_start(rest, flags); \
        mode_t mode = mode_of(flags, rest); \
        va_end(rest); \
        return ours_by_name(path) && fails(OPEN) ? -1 : next(path, flags, mode); \
    }
OPENS(open)
OPENS(open64)

#define OPENS_AT(name) \
    int name(int at, const char *path, int flags, ...) \
    { \
        NEXT(int, #name, int, const char *, int, ...); \
        va_list rest; \
        va_start(rest, flags); \
        mode_t mode = mode_of(flags, rest); \
        va_end(rest); \
        return ours_by_name(path) && fails(OPEN) ? -1 : next(at, path, flags, mode); \
    }
OPENS_AT(openat)
OPENS_AT(openat64)

#define MOVES(name, kind, buffer) \
    ssize_t name(int fd, buffer data, size_t size) \
    { \
        NEXT(ssize_t, #name, int, buffer, size_t); \
        return ours(fd) && fails(kind) ? -1 : next(fd, data, size); \
    }
MOVES(read, READ, void *)
MOVES(write, WRITE, const void *)

#define MOVES_AT(name, kind, buffer, offset) \
    ssize_t name(int fd, buffer data, size_t size, offset at) \
    { \
        NEXT(ssize_t, #name, int, buffer, size_t, offset); \
        return ours(fd) && fails(kind) ? -1 : next(fd, data, size, at); \
    }
MOVES_AT(pread, READ, void *, off_t)
MOVES_AT(pread64, READ, void *, off64_t)
MOVES_AT(pwrite, WRITE, const void *, off_t)
MOVES_AT(pwrite64, WRITE, const void *, off64_t)
MOVES_AT(recv, READ, void *, int)
MOVES_AT(send, WRITE, const void *, int)

#define SYNCS(name) \
    int name(int fd) \
    { \
        NEXT(int, #name, int); \
        return ours(fd) && fails(SYNC) ? -1 : next(fd); \
    }
SYNCS(fsync)
SYNCS(fdatasync)

int connect(int fd, const struct sockaddr *to, socklen_t size)
{
    NEXT(int, "connect", int, const struct sockaddr *, socklen_t);
    return ready && fails(CONNECT) ? -1 : next(fd, to, size);
}
