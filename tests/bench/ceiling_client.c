/* How many reads a C client gets out of libmodbus: the ceiling for the Modbus layer.
 *
 *     ceiling_client PORT CONNECTIONS SECONDS
 *
 * One thread, one request outstanding on each connection: 32 discrete inputs and 17 input registers in turn.
 * Prints: requests wall_s cpu_s errors
 */
#include <modbus/modbus.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <time.h>

enum { CHECK_TIME_EVERY = 10, REQUEST_BYTES = 6 };

static double now_s(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + t.tv_nsec * 1e-9;
}

static double cpu_s(void) {
    struct rusage used;
    getrusage(RUSAGE_SELF, &used);
    return used.ru_utime.tv_sec + used.ru_stime.tv_sec + (used.ru_utime.tv_usec + used.ru_stime.tv_usec) * 1e-6;
}

static modbus_t *connect_to(int port) {
    int one = 1;
    modbus_t *plc = modbus_new_tcp("127.0.0.1", port);
    modbus_set_response_timeout(plc, 2, 0);
    if (modbus_connect(plc)) {
        perror("connect");
        exit(1);
    }
    setsockopt(modbus_get_socket(plc), IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
    return plc;
}

int main(int argc, char **argv) {
    if (argc != 4) {
        fprintf(stderr, "usage: ceiling_client PORT CONNECTIONS SECONDS\n");
        return 1;
    }
    int port = atoi(argv[1]), connections = atoi(argv[2]);
    double seconds = atof(argv[3]);
    uint8_t bits[REQUEST_BYTES] = {1, 2, 0, 0, 0, 32}, registers[REQUEST_BYTES] = {1, 4, 0, 0, 0, 17};
    uint8_t reply[MODBUS_TCP_MAX_ADU_LENGTH];
    modbus_t **plcs = calloc(connections, sizeof *plcs);
    for (int i = 0; i < connections; i++) plcs[i] = connect_to(port);
    long requests = 0, errors = 0;
    double begin_s = now_s(), begin_cpu_s = cpu_s();
    while (now_s() - begin_s < seconds)
        for (int round = 0; round < CHECK_TIME_EVERY; round++) {
            for (int i = 0; i < connections; i++)
                modbus_send_raw_request(plcs[i], round & 1 ? registers : bits, REQUEST_BYTES);
            for (int i = 0; i < connections; i++)
                if (modbus_receive_confirmation(plcs[i], reply) < 0) errors++;
            requests += connections;
        }
    printf("%ld %.4f %.4f %ld\n", requests, now_s() - begin_s, cpu_s() - begin_cpu_s, errors);
    return 0;
}
