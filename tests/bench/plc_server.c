/* Many PLCs in one process, for benchmarks: a libmodbus server that listens on several ports, one map behind all.
 *
 *     plc_server PORTS [own] [vary] [flip=MILLISECONDS]
 *
 * Prints "ports P1 P2 ..." when it listens. Map, for eight drives a PLC (see plant.py):
 *     discrete inputs 4d..4d+3: alarm and shutdown contact (1 = closed = at rest), running, rack healthy
 *     input registers 2d, 2d+1: position in uA, motor power in W; 16: heartbeat. Holding registers: the same.
 * own: a map of its own behind each port.
 * vary: each request moves every position, as real transducers do, and the heartbeat.
 * flip: an alarm contact opens or closes, each time after half to one and a half of the period: that of drive 0, with
 * `own` of one drive after the other, all of them before the first one's closes again.
 * Commands, one a line on standard input: "all 0" opens every alarm contact, "all 1" closes them; end of input ends it.
 * Prints, with the time as seconds since 1970:
 *     "flip D V T"  contact of drive D (eight a port) changed to V
 *     "seen D V T"  the first request that could see that change was read from the socket at T
 */
#include <arpa/inet.h>
#include <modbus/modbus.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { DRIVES = 8, BITS = 4 * DRIVES, REGISTERS = 64, HEARTBEAT = 2 * DRIVES, MAX_PORTS = 300, MAX_SOCKETS = 1200 };
enum { READ_DISCRETE_INPUTS = 2, FUNCTION_CODE_AT = 7 };

static struct pollfd sockets[MAX_SOCKETS]; /* 0: standard input; then listeners; then connections */
static int owner[MAX_SOCKETS];              /* which map a listener or connection reads */
static int used, listeners;
static modbus_t *modbus;
static modbus_mapping_t *maps[MAX_PORTS];
static int map_count = 1, flip_drive = -1, flip_unseen;

static double now_s(void) {
    struct timespec t;
    clock_gettime(CLOCK_REALTIME, &t);
    return t.tv_sec + t.tv_nsec * 1e-9;
}

static void fail(const char *what) {
    perror(what);
    exit(1);
}

static void watch(int fd, int map) {
    owner[used] = map;
    sockets[used].fd = fd;
    sockets[used].events = POLLIN;
    sockets[used].revents = 0;
    used++;
}

static int listen_somewhere(int number) {
    struct sockaddr_in where = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof where;
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    if (fd < 0 || bind(fd, (struct sockaddr *)&where, size) || listen(fd, 64)) fail("listen");
    if (getsockname(fd, (struct sockaddr *)&where, &size)) fail("getsockname");
    watch(fd, number % map_count);
    return ntohs(where.sin_port);
}

static void set_up_map(int number) {
    modbus_mapping_t *map = maps[number] = modbus_mapping_new(BITS, BITS, REGISTERS, REGISTERS);
    if (map == NULL) fail("mapping");
    for (int i = 0; i < BITS; i++) map->tab_bits[i] = map->tab_input_bits[i] = 1;
    for (int i = 0; i < REGISTERS; i++) map->tab_registers[i] = map->tab_input_registers[i] = 8000;
}

/* Positions wander from 8 to 12 mA: alive, and below the alarm. */
static void move_values(modbus_mapping_t *map) {
    static unsigned turn;
    turn++;
    for (int i = 0; i < 2 * DRIVES; i++)
        map->tab_registers[i] = map->tab_input_registers[i] = 8000 + (turn * 7 + i * 131) % 4000;
    map->tab_registers[HEARTBEAT] = map->tab_input_registers[HEARTBEAT] = turn;
}

static void accept_one(int at) {
    int one = 1, fd = accept(sockets[at].fd, NULL, NULL);
    if (fd < 0) return;
    setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
    if (used < MAX_SOCKETS)
        watch(fd, owner[at]);
    else
        close(fd);
}

static int answer_one(int at, int vary) {
    modbus_mapping_t *map = maps[owner[at]];
    uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH];
    modbus_set_socket(modbus, sockets[at].fd);
    int size = modbus_receive(modbus, request);
    if (size < 0) return 0;
    if (size == 0) return 1;
    if (flip_unseen && owner[at] == flip_drive / DRIVES && request[FUNCTION_CODE_AT] == READ_DISCRETE_INPUTS) {
        flip_unseen = 0;
        printf("seen %d %d %.6f\n", flip_drive, map->tab_input_bits[flip_drive % DRIVES * 4], now_s());
        fflush(stdout);
    }
    modbus_reply(modbus, request, size, map);
    if (vary) move_values(map);
    return 1;
}

static void flip_contact(void) {
    flip_drive = map_count == 1 ? 0 : (flip_drive + 1) % (map_count * DRIVES);
    uint8_t *bit = &maps[flip_drive / DRIVES]->tab_input_bits[flip_drive % DRIVES * 4];
    *bit ^= 1;
    flip_unseen = 1;
    printf("flip %d %d %.6f\n", flip_drive, *bit, now_s());
    fflush(stdout);
}

static int obey(void) {
    char line[64];
    ssize_t size = read(0, line, sizeof line - 1);
    if (size <= 0) return 0;
    line[size] = 0;
    if (strncmp(line, "all ", 4) == 0)
        for (int drive = 0; drive < DRIVES * map_count; drive++)
            maps[drive / DRIVES]->tab_input_bits[drive % DRIVES * 4] = line[4] == '1';
    return 1;
}

int main(int argc, char **argv) {
    int ports = argc > 1 ? atoi(argv[1]) : 0, vary = 0;
    double flip_s = 0;
    for (int i = 2; i < argc; i++) {
        if (strcmp(argv[i], "own") == 0) map_count = ports;
        if (strcmp(argv[i], "vary") == 0) vary = 1;
        if (strncmp(argv[i], "flip=", 5) == 0) flip_s = atof(argv[i] + 5) / 1e3;
    }
    if (ports < 1 || ports > MAX_PORTS) {
        fprintf(stderr, "usage: plc_server PORTS(1..%d) [own] [vary] [flip=MILLISECONDS]\n", MAX_PORTS);
        return 1;
    }
    signal(SIGPIPE, SIG_IGN);
    srand(1);
    modbus = modbus_new_tcp("127.0.0.1", 0);
    for (int i = 0; i < map_count; i++) set_up_map(i);
    watch(0, 0);
    printf("ports");
    for (int i = 0; i < ports; i++) printf(" %d", listen_somewhere(i));
    printf("\n");
    fflush(stdout);
    listeners = used;
    double next_s = now_s() + flip_s;
    for (;;) {
        double wait_s = next_s - now_s();
        poll(sockets, used, flip_s == 0 ? -1 : wait_s <= 0 ? 0 : (int)(wait_s * 1e3) + 1);
        if (flip_s > 0 && now_s() >= next_s) {
            if (!flip_unseen || map_count == 1) flip_contact();
            next_s = now_s() + flip_s * (0.5 + rand() / (double)RAND_MAX);
        }
        if (sockets[0].revents && !obey()) return 0;
        for (int i = 1; i < listeners; i++)
            if (sockets[i].revents & POLLIN) accept_one(i);
        for (int i = listeners; i < used; i++)
            if (sockets[i].revents && !answer_one(i, vary)) {
                close(sockets[i].fd);
                owner[i] = owner[used - 1];
                sockets[i--] = sockets[--used];
            }
    }
}
