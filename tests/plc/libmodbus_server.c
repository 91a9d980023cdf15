/* A Modbus/TCP server that is not ours: libmodbus, one thread, many connections.
 * Its map is set over standard input, one line each, answered "ok":
 *     d ADDR VALUE   discrete input      c ADDR VALUE   coil
 *     h ADDR VALUE   holding register    i ADDR VALUE   input register
 * Prints "ready" when it listens. Ends when standard input ends. usage: libmodbus_server PORT [ENTRIES] */
#include <modbus/modbus.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

static void set(modbus_mapping_t *map, char table, int address, int value, int entries) {
    if (address < 0 || address >= entries) return;
    switch (table) {
    case 'd': map->tab_input_bits[address] = value != 0; break;
    case 'c': map->tab_bits[address] = value != 0; break;
    case 'h': map->tab_registers[address] = (uint16_t)value; break;
    case 'i': map->tab_input_registers[address] = (uint16_t)value; break;
    }
}

/* All complete lines of the input buffer; returns what is left of it. */
static size_t commands(modbus_mapping_t *map, char *text, size_t have, int entries) {
    char *begin = text, *end;
    while ((end = memchr(begin, '\n', have - (size_t)(begin - text))) != NULL) {
        char table;
        int address, value;
        *end = 0;
        if (sscanf(begin, " %c %d %d", &table, &address, &value) == 3) set(map, table, address, value, entries);
        puts("ok");
        begin = end + 1;
    }
    fflush(stdout);
    size_t left = have - (size_t)(begin - text);
    memmove(text, begin, left);
    return left;
}

int main(int argc, char **argv) {
    if (argc < 2) return 2;
    int entries = argc > 2 ? atoi(argv[2]) : 1024;
    modbus_t *context = modbus_new_tcp("127.0.0.1", atoi(argv[1]));
    modbus_mapping_t *map = modbus_mapping_new(entries, entries, entries, entries);
    int listener = modbus_tcp_listen(context, 64);
    if (!map || listener < 0) return 1;
    signal(SIGPIPE, SIG_IGN);
    struct pollfd fds[128] = {{.fd = 0, .events = POLLIN}, {.fd = listener, .events = POLLIN}};
    int count = 2;
    char text[4096];
    size_t have = 0;
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    puts("ready");
    fflush(stdout);
    for (;;) {
        if (poll(fds, (nfds_t)count, -1) < 0) return 1;
        if (fds[0].revents) {
            ssize_t got = read(0, text + have, sizeof text - have);
            if (got <= 0) return 0;
            have = commands(map, text, have + (size_t)got, entries);
        }
        if (fds[1].revents & POLLIN) {
            int client = accept(listener, NULL, NULL);
            if (client >= 0 && count < 128) fds[count++] = (struct pollfd){.fd = client, .events = POLLIN};
            else if (client >= 0) close(client);
        }
        for (int i = count - 1; i >= 2; i--) {
            if (!fds[i].revents) continue;
            modbus_set_socket(context, fds[i].fd);
            int length = modbus_receive(context, query);
            if (length > 0) modbus_reply(context, query, length, map);
            else if (length < 0) {
                close(fds[i].fd);
                fds[i] = fds[--count];
            }
        }
    }
}
