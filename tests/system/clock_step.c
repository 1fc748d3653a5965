/* Steps the wall clock of one process while it runs, for tests: everything that reads CLOCK_REALTIME is given the real
 * time plus an offset that stands in a file; the monotonic clock is left alone.
 * Build: cc -shared -fPIC -o clock_step.so clock_step.c -ldl. The file named by WALL_OFFSET holds a signed 64-bit
 * number of seconds. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

typedef int (*clock_gettime_t)(clockid_t, struct timespec *);

static const volatile int64_t *wall_offset(void)
{
    static const volatile int64_t *offset;
    static int looked;
    if (!looked) {
        looked = 1;
        const char *path = getenv("WALL_OFFSET");
        int file = path ? open(path, O_RDONLY) : -1;
        if (file >= 0) {
            void *page = mmap(NULL, sizeof *offset, PROT_READ, MAP_SHARED, file, 0);
            offset = page == MAP_FAILED ? NULL : page;
            close(file);
        }
    }
    return offset;
}

int clock_gettime(clockid_t clock, struct timespec *now)
{
    static clock_gettime_t real;
    if (!real)
        real = (clock_gettime_t)dlsym(RTLD_NEXT, "clock_gettime");
    int result = real(clock, now);
    const volatile int64_t *offset = wall_offset();
    if (result == 0 && offset && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE))
        now->tv_sec += *offset;
    return result;
}

int gettimeofday(struct timeval *restrict now, void *restrict zone)
{
    (void)zone;
    struct timespec precise;
    clock_gettime(CLOCK_REALTIME, &precise);
    now->tv_sec = precise.tv_sec;
    now->tv_usec = precise.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *where)
{
    struct timespec precise;
    clock_gettime(CLOCK_REALTIME, &precise);
    if (where)
        *where = precise.tv_sec;
    return precise.tv_sec;
}
