/* A clock of software in the place of the kernel's, for the processes that preload it (LD_PRELOAD).
 *
 * Boards in network namespaces share one kernel, and so one clock. With this, the processes of each board read a clock of
 * their own, with its own oscillator, and a time program (chronyd) sets that one by adjtimex(2), as it would the kernel's.
 * As in the kernel, a change of frequency reaches CLOCK_REALTIME and CLOCK_MONOTONIC alike, and a step the first alone.
 *
 * SOFTWARE_CLOCK names a file of struct clock, which the board's processes share. The time of a packet by the kernel
 * (SO_TIMESTAMP and its like) is refused to them: it would come from the kernel's own clock. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <pthread.h>
#include <semaphore.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

#define LIMIT_US 16000000 /* NTP_PHASE_LIMIT */

struct clock {
    uint64_t changes;      /* odd while a process changes the rest */
    int64_t begin_ns;      /* the kernel's CLOCK_MONOTONIC at the beginning */
    int64_t base_ns;       /* by the oscillator: when the frequency was set last */
    int64_t monotonic_ns;  /* this clock's CLOCK_MONOTONIC at that instant */
    int64_t ahead_ns;      /* this clock's CLOCK_REALTIME less its CLOCK_MONOTONIC */
    double drift_ppm;      /* the oscillator's frequency, wrong by so much */
    double wander_ppm;     /* and by up to so much more or less, in turn */
    double period_s;       /* the length of such a turn */
    int64_t frequency;     /* as struct timex has freq: ppm << 16 */
    int64_t tick_us;       /* as struct timex has tick: 10000 without correction */
    int64_t status, maximum_us, estimated_us, constant;
    int64_t errors_ns;     /* by the oscillator: when the maximum error was set */
};

static struct clock *shared;

static int64_t kernel_ns(clockid_t id) {
    struct timespec at;
    syscall(SYS_clock_gettime, id, &at);
    return at.tv_sec * 1000000000LL + at.tv_nsec;
}

static struct clock *ours(void) {
    if (!shared) {
        int file = open(getenv("SOFTWARE_CLOCK"), O_RDWR | O_CLOEXEC);
        void *at = file < 0 ? MAP_FAILED : mmap(NULL, sizeof *shared, PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
        if (at == MAP_FAILED)
            abort();
        close(file);
        shared = at;
    }
    return shared;
}

/* Time by the oscillator since the beginning. */
static int64_t oscillator_ns(const struct clock *c) {
    double elapsed = kernel_ns(CLOCK_MONOTONIC) - c->begin_ns, turn = c->period_s * 1e9 / (2 * M_PI);
    double wrong = elapsed * c->drift_ppm + c->wander_ppm * turn * (1 - cos(elapsed / turn));
    return (int64_t)elapsed + (int64_t)(wrong * 1e-6);
}

static int64_t monotonic_of(const struct clock *c, int64_t oscillator) {
    double ppm = c->frequency / 65536.0 + (c->tick_us - 10000) * 100.0;
    int64_t elapsed = oscillator - c->base_ns;
    return c->monotonic_ns + elapsed + (int64_t)(elapsed * ppm * 1e-6);
}

static struct clock read_clock(int64_t *monotonic) {
    struct clock *c = ours(), copy;
    uint64_t before;
    do {
        while ((before = __atomic_load_n(&c->changes, __ATOMIC_ACQUIRE)) & 1)
            ;
        copy = *c;
        *monotonic = monotonic_of(&copy, oscillator_ns(&copy));
        __atomic_thread_fence(__ATOMIC_ACQUIRE);
    } while (__atomic_load_n(&c->changes, __ATOMIC_RELAXED) != before);
    return copy;
}

/* One process changes the clock at a time: the time program. */
static struct clock *begin_change(void) {
    struct clock *c = ours();
    __atomic_fetch_add(&c->changes, 1, __ATOMIC_ACQ_REL);
    int64_t now = oscillator_ns(c);
    c->monotonic_ns = monotonic_of(c, now);
    c->base_ns = now;
    return c;
}

/* The maximum error now: it grows by 500 us a second, as in the kernel. */
static int64_t maximum_us(const struct clock *c, int64_t oscillator) {
    return c->maximum_us + (oscillator - c->errors_ns) / 1000000000 * 500;
}

static void set_maximum(struct clock *c, int64_t us) {
    c->maximum_us = us < LIMIT_US ? us : LIMIT_US;
    c->errors_ns = c->base_ns;
}

static void end_change(struct clock *c) { __atomic_fetch_add(&c->changes, 1, __ATOMIC_RELEASE); }

static struct timespec as_timespec(int64_t ns) {
    return (struct timespec){ns / 1000000000, ns % 1000000000};
}

static int64_t as_ns(const struct timespec *at) { return at->tv_sec * 1000000000LL + at->tv_nsec; }

int clock_gettime(clockid_t id, struct timespec *at) {
    int64_t monotonic;
    if (id == CLOCK_REALTIME || id == CLOCK_REALTIME_COARSE || id == CLOCK_MONOTONIC || id == CLOCK_MONOTONIC_COARSE ||
        id == CLOCK_BOOTTIME) {
        struct clock c = read_clock(&monotonic);
        int real = id == CLOCK_REALTIME || id == CLOCK_REALTIME_COARSE;
        *at = as_timespec(monotonic + (real ? c.ahead_ns : 0));
        return 0;
    }
    return syscall(SYS_clock_gettime, id, at);
}

int gettimeofday(struct timeval *at, void *zone) {
    struct timespec now;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &now);
    *at = (struct timeval){now.tv_sec, now.tv_nsec / 1000};
    return 0;
}

time_t time(time_t *at) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (at)
        *at = now.tv_sec;
    return now.tv_sec;
}

int clock_settime(clockid_t id, const struct timespec *at) {
    if (id != CLOCK_REALTIME) {
        errno = EINVAL;
        return -1;
    }
    struct clock *c = begin_change();
    c->ahead_ns = as_ns(at) - c->monotonic_ns;
    c->status |= STA_UNSYNC;
    end_change(c);
    return 0;
}

int settimeofday(const struct timeval *at, const struct timezone *zone) {
    (void)zone;
    struct timespec to = {at->tv_sec, at->tv_usec * 1000};
    return clock_settime(CLOCK_REALTIME, &to);
}

/* adjtimex(2), without the kernel's own loops (ADJ_OFFSET): chronyd sets them to 0 and uses the frequency instead. */
int adjtimex(struct timex *t) {
    if (t->modes & ADJ_OFFSET && t->offset) {
        errno = EINVAL;
        return -1;
    }
    int64_t monotonic;
    if (t->modes && t->modes != ADJ_OFFSET_SS_READ && t->modes != ADJ_OFFSET_SINGLESHOT) {
        struct clock *c = begin_change();
        set_maximum(c, maximum_us(c, c->base_ns));
        if (t->modes & ADJ_FREQUENCY)
            c->frequency = t->freq;
        if (t->modes & ADJ_TICK)
            c->tick_us = t->tick;
        if (t->modes & ADJ_STATUS)
            c->status = t->status;
        if (t->modes & ADJ_TIMECONST)
            c->constant = t->constant;
        if (t->modes & ADJ_SETOFFSET) {
            c->ahead_ns += t->time.tv_sec * 1000000000LL + t->time.tv_usec * (t->modes & ADJ_NANO ? 1 : 1000);
            set_maximum(c, LIMIT_US);
            c->estimated_us = LIMIT_US;
        }
        if (t->modes & ADJ_MAXERROR)
            set_maximum(c, t->maxerror);
        if (t->modes & ADJ_ESTERROR)
            c->estimated_us = t->esterror;
        end_change(c);
    }
    struct clock now = read_clock(&monotonic);
    struct timespec real = as_timespec(monotonic + now.ahead_ns);
    int64_t maximum = maximum_us(&now, oscillator_ns(&now));
    int known = maximum <= LIMIT_US && !(now.status & STA_UNSYNC); /* beyond the limit the kernel sets the flag */
    *t = (struct timex){
        .freq = now.frequency, .tick = now.tick_us, .status = now.status | (known ? 0 : STA_UNSYNC),
        .maxerror = maximum < LIMIT_US ? maximum : LIMIT_US, .esterror = now.estimated_us, .constant = now.constant,
        .precision = 1, .tolerance = 32768000, .time = {real.tv_sec, real.tv_nsec / 1000},
    };
    return known ? TIME_OK : TIME_ERROR;
}

int ntp_adjtime(struct timex *t) { return adjtimex(t); }

int clock_adjtime(clockid_t id, struct timex *t) {
    if (id == CLOCK_REALTIME)
        return adjtimex(t);
    errno = EINVAL;
    return -1;
}

/* An instant by this clock's CLOCK_MONOTONIC, or CLOCK_REALTIME, by the kernel's. */
static struct timespec by_kernel(const struct timespec *at, clockid_t id) {
    int64_t monotonic;
    struct clock c = read_clock(&monotonic);
    int64_t now = monotonic + (id == CLOCK_REALTIME ? c.ahead_ns : 0), then = as_ns(at) - now + kernel_ns(id);
    return as_timespec(then < 0 ? 0 : then);
}

int clock_nanosleep(clockid_t id, int flags, const struct timespec *at, struct timespec *left) {
    struct timespec then = flags & TIMER_ABSTIME ? by_kernel(at, id) : *at;
    return syscall(SYS_clock_nanosleep, id, flags, &then, left) ? errno : 0;
}

int sem_clockwait(sem_t *semaphore, clockid_t id, const struct timespec *at) {
    static int (*next)(sem_t *, clockid_t, const struct timespec *);
    struct timespec then = by_kernel(at, id);
    if (!next)
        next = (int (*)(sem_t *, clockid_t, const struct timespec *))dlsym(RTLD_NEXT, "sem_clockwait");
    return next(semaphore, id, &then);
}

/* Python waits so by CLOCK_MONOTONIC. An instant by CLOCK_REALTIME is decades later. */
int pthread_cond_timedwait(pthread_cond_t *condition, pthread_mutex_t *mutex, const struct timespec *at) {
    static int (*next)(pthread_cond_t *, pthread_mutex_t *, const struct timespec *);
    struct timespec then = by_kernel(at, at->tv_sec < 1000000000 ? CLOCK_MONOTONIC : CLOCK_REALTIME);
    if (!next)
        next = (int (*)(pthread_cond_t *, pthread_mutex_t *, const struct timespec *))dlsym(RTLD_NEXT,
                                                                                            "pthread_cond_timedwait");
    return next(condition, mutex, &then);
}

int setsockopt(int sock, int level, int name, const void *value, socklen_t length) {
    if (level == SOL_SOCKET && (name == SO_TIMESTAMP || name == SO_TIMESTAMPNS || name == SO_TIMESTAMPING)) {
        errno = ENOPROTOOPT;
        return -1;
    }
    return syscall(SYS_setsockopt, sock, level, name, value, length);
}
