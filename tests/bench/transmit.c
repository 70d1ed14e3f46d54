/* A plain sender and a plain receiver, to measure against: what a good engineer writes in an afternoon.
 *
 *   transmit send FRAMES UNIVERSES SLOTS FPS SECONDS ADDRESS|multicast INTERFACE_ADDRESS PROTOCOL
 *   transmit receive ADDRESS|multicast UNIVERSES PROTOCOL   until end of standard input; prints packets, lost, out
 *                                                           of order (E1.31 6.7.2), silences of 2.5 s (6.7.1)
 *
 * PROTOCOL is e131, artnet or ddp; the last two come from memory.
 * FRAMES holds raw frames, one after the other, and is mapped. A frame is copied into the packets, their sequence
 * numbers are set, and sendmmsg hands all of them over; clock_nanosleep waits for the next instant.
 */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

enum { BATCH = 64, DDP_MAX = 1440, E131 = 0, ARTNET, DDP };

/* The port, the length of a header, where the sequence number is, how many numbers there are, how far back is late. */
static const struct protocol { const char *name; unsigned port, header, sequence, numbers, late; } protocols[] = {
    [E131] = {"e131", 5568, 126, 111, 256, 20}, [ARTNET] = {"artnet", 6454, 18, 12, 255, 127},
    [DDP] = {"ddp", 4048, 10, 1, 15, 7}};

static const struct protocol *spoken;

static void put16(uint8_t *at, unsigned value) { at[0] = value >> 8; at[1] = value; }

static void artnet_header(uint8_t *p, unsigned universe, unsigned slots) {
    memcpy(p, "Art-Net\0\0\x50\0\x0e", 12);
    p[14] = universe;
    p[15] = universe >> 8;
    put16(p + 16, slots);
}

static void ddp_header(uint8_t *p, unsigned offset, unsigned slots, int last) {
    p[0] = 0x40 | last;
    p[2] = 0x0b;
    p[3] = 1;
    put16(p + 4, offset >> 16);
    put16(p + 6, offset);
    put16(p + 8, slots);
}

static void e131_header(uint8_t *p, unsigned universe, unsigned slots) {
    static const uint8_t root[16] = "\0\x10\0\0ASC-E1.17\0\0\0";
    memcpy(p, root, 16);
    put16(p + 16, 0x7000 | (110 + slots));
    p[21] = 4;
    memcpy(p + 22, "a plain sender..", 16);
    put16(p + 38, 0x7000 | (88 + slots));
    p[43] = 2;
    strcpy((char *)p + 44, "plain");
    p[108] = 100;
    put16(p + 113, universe);
    put16(p + 115, 0x7000 | (11 + slots));
    p[117] = 2;
    p[118] = 0xa1;
    p[122] = 1;
    put16(p + 123, slots + 1);
}

static struct sockaddr_in address(const char *to, unsigned universe) {
    struct sockaddr_in name = {.sin_family = AF_INET, .sin_port = htons(spoken->port)};
    if (strcmp(to, "multicast"))
        inet_pton(AF_INET, to, &name.sin_addr);
    else
        name.sin_addr.s_addr = htonl(0xefff0000u | universe);
    return name;
}

static int send_frames(char **arg) {
    unsigned universes = atoi(arg[1]), slots = atoi(arg[2]), whole = universes * slots;
    int ddp = spoken == &protocols[DDP];
    unsigned part = ddp ? DDP_MAX : slots, size = spoken->header + part, packets_due = (whole + part - 1) / part;
    double fps = atof(arg[3]);
    uint64_t frames_due = fps * atof(arg[4]);
    struct in_addr interface;
    struct stat status;
    int file = open(arg[0], O_RDONLY), sock = socket(AF_INET, SOCK_DGRAM, 0), buffer = 8 << 20;
    if (file < 0 || fstat(file, &status) || sock < 0) return perror("transmit"), 1;
    const uint8_t *frames = mmap(0, status.st_size, PROT_READ, MAP_SHARED | MAP_POPULATE, file, 0);
    uint64_t count = status.st_size / ((uint64_t)universes * slots);
    if (setsockopt(sock, SOL_SOCKET, SO_SNDBUFFORCE, &buffer, sizeof buffer))
        setsockopt(sock, SOL_SOCKET, SO_SNDBUF, &buffer, sizeof buffer);
    inet_pton(AF_INET, arg[6], &interface);
    setsockopt(sock, IPPROTO_IP, IP_MULTICAST_IF, &interface, sizeof interface);
    int no = 0;
    setsockopt(sock, IPPROTO_IP, IP_MULTICAST_LOOP, &no, sizeof no);

    uint8_t *packets = calloc(packets_due, size);
    struct sockaddr_in *names = calloc(packets_due, sizeof *names);
    struct iovec *vectors = calloc(packets_due, sizeof *vectors);
    struct mmsghdr *messages = calloc(packets_due, sizeof *messages);
    for (unsigned n = 0; n < packets_due; n++) {
        unsigned last = n + 1 == packets_due, length = last ? whole - n * part : part;
        if (ddp) ddp_header(packets + n * size, n * part, length, last);
        else if (spoken == &protocols[ARTNET]) artnet_header(packets + n * size, n + 1, length);
        else e131_header(packets + n * size, n + 1, length);
        names[n] = address(arg[5], n + 1);
        vectors[n] = (struct iovec){packets + n * size, spoken->header + length};
        messages[n].msg_hdr = (struct msghdr){&names[n], sizeof *names, &vectors[n], 1, 0, 0, 0};
    }
    struct timespec begin, next;
    clock_gettime(CLOCK_MONOTONIC, &begin);
    uint64_t dropped = 0;
    for (uint64_t frame = 0; frame < frames_due; frame++) {
        uint64_t due = (uint64_t)(frame * 1e9 / fps) + begin.tv_nsec;
        next = (struct timespec){begin.tv_sec + due / 1000000000u, due % 1000000000u};
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &next, 0);
        const uint8_t *from = frames + (frame % count) * universes * slots;
        for (unsigned n = 0; n < packets_due; n++) {
            uint64_t sent = ddp ? frame * packets_due + n : frame;
            packets[n * size + spoken->sequence] = sent % spoken->numbers + (spoken->numbers < 256);
            memcpy(packets + n * size + spoken->header, from + n * part, vectors[n].iov_len - spoken->header);
        }
        for (unsigned n = 0; n < packets_due;) {
            int sent = sendmmsg(sock, messages + n, packets_due - n, 0);
            if (sent < 0) dropped++, n++;
            else n += sent;
        }
    }
    struct rusage used;
    getrusage(RUSAGE_SELF, &used);
    printf("%llu %llu\n", (unsigned long long)frames_due, (unsigned long long)dropped);
    return 0;
}

static int receive(char **arg) {
    unsigned universes = atoi(arg[1]);
    int sock = socket(AF_INET, SOCK_DGRAM, 0), buffer = 256 << 20, yes = 1;
    struct sockaddr_in name = address(strcmp(arg[0], "multicast") ? arg[0] : "0.0.0.0", 0);
    setsockopt(sock, SOL_SOCKET, SO_RCVBUFFORCE, &buffer, sizeof buffer);
    setsockopt(sock, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
    if (bind(sock, (struct sockaddr *)&name, sizeof name)) return perror("transmit: bind"), 1;
    for (unsigned n = 1; n <= universes && !strcmp(arg[0], "multicast"); n++) {
        struct ip_mreqn request = {.imr_multiaddr = address("multicast", n).sin_addr};
        if (setsockopt(sock, IPPROTO_IP, IP_ADD_MEMBERSHIP, &request, sizeof request)) return perror("transmit: join"), 1;
    }
    static uint8_t data[BATCH][2048];
    static int16_t last[65536];
    memset(last, -1, sizeof last);
    struct iovec vectors[BATCH];
    struct mmsghdr messages[BATCH] = {0};
    for (int n = 0; n < BATCH; n++) {
        vectors[n] = (struct iovec){data[n], sizeof data[n]};
        messages[n].msg_hdr.msg_iov = &vectors[n];
        messages[n].msg_hdr.msg_iovlen = 1;
    }
    static double heard[65536];
    unsigned long long packets = 0, lost = 0, disorder = 0, silences = 0;
    struct pollfd waits[2] = {{sock, POLLIN, 0}, {0, POLLIN, 0}};
    puts("ready");
    fflush(stdout);
    for (;;) {
        poll(waits, 2, -1);
        if (!waits[0].revents && waits[1].revents) break;
        int got = recvmmsg(sock, messages, BATCH, MSG_DONTWAIT, 0);
        struct timespec clock;
        clock_gettime(CLOCK_MONOTONIC, &clock);
        double now = clock.tv_sec + clock.tv_nsec / 1e9;
        for (int n = 0; n < got; n++) {
            const uint8_t *p = data[n];
            if (messages[n].msg_len < spoken->header || (spoken == &protocols[E131] && p[21] != 4)) continue;
            unsigned universe = spoken == &protocols[E131] ? p[113] << 8 | p[114] : 0;
            if (spoken == &protocols[ARTNET]) universe = p[15] << 8 | p[14];
            unsigned number = p[spoken->sequence];
            packets++;
            if (last[universe] >= 0) {
                unsigned step = (number + spoken->numbers - last[universe]) % spoken->numbers;
                if (step == 0 || step > spoken->numbers - spoken->late) disorder++;
                else lost += step - 1;
            }
            silences += heard[universe] && now - heard[universe] > 2.5;
            heard[universe] = now;
            last[universe] = number;
        }
    }
    printf("%llu %llu %llu %llu\n", packets, lost, disorder, silences);
    return 0;
}

int main(int argc, char **argv) {
    for (unsigned n = 0; n < 3; n++)
        if (argc > 1 && !strcmp(argv[argc - 1], protocols[n].name)) spoken = &protocols[n];
    if (spoken && argc == 10 && !strcmp(argv[1], "send")) return send_frames(argv + 2);
    if (spoken && argc == 5 && !strcmp(argv[1], "receive")) return receive(argv + 2);
    return fputs("transmit: send or receive\n", stderr), 2;
}
