/* A Modbus server on libmodbus, for a plant that is stepped by the test that started it.
 *
 * Speaks Modbus TCP on 127.0.0.1, on a port that it picks and prints; or RTU, as unit 1, on the serial port that it is
 * called with (DEVICE BAUD). Speaks lines of text on its standard streams.
 *   out:  port N | ok | bad WHY | coil ADDRESS VALUE | holding ADDRESS VALUE
 *   in:   input ADDRESS VALUE... | holding ADDRESS VALUE... | coil ADDRESS VALUE | delay MILLISECONDS
 * Every line in is answered by ok or bad, in order; the other lines out tell what a client has changed.
 * It ends when its standard input does.
 */
#include <arpa/inet.h>
#include <errno.h>
#include <modbus.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { SIZE = 200, MAX_CLIENTS = 32, LINE = 4096 };

static modbus_t *ctx;
static modbus_mapping_t *map;
static struct pollfd fds[2 + MAX_CLIENTS]; /* standard input, listener, clients */
static int nfds = 2;
static int rtu;
static long delay_ms;

static void die(const char *what)
{
    fprintf(stderr, "%s: %s\n", what, modbus_strerror(errno));
    exit(1);
}

static void pause_ms(long ms)
{
    struct timespec t = {ms / 1000, (ms % 1000) * 1000000L};
    nanosleep(&t, NULL);
}

static const char *set_words(uint16_t *table, char *words)
{
    char *word = strtok(words, " ");
    long address = word ? strtol(word, NULL, 0) : -1;

    while ((word = strtok(NULL, " ")) != NULL) {
        if (address < 0 || address >= SIZE)
            return "no such register";
        table[address++] = (uint16_t)strtol(word, NULL, 0);
    }
    return NULL;
}

static const char *obey(char *line)
{
    char *words = strchr(line, ' ');
    long address = 0, value = 0;

    if (words == NULL)
        return "a line is a word and numbers";
    *words++ = '\0';
    if (strcmp(line, "input") == 0)
        return set_words(map->tab_input_registers, words);
    if (strcmp(line, "holding") == 0)
        return set_words(map->tab_registers, words);
    if (strcmp(line, "delay") == 0) {
        delay_ms = strtol(words, NULL, 0);
        return NULL;
    }
    if (strcmp(line, "coil") == 0) {
        if (sscanf(words, "%ld %ld", &address, &value) != 2 || address < 0 || address >= SIZE)
            return "no such coil";
        map->tab_bits[address] = value != 0;
        return NULL;
    }
    return "no such word";
}

/* Take what has come on standard input; 0 at its end. */
static int hear(void)
{
    static char buffer[LINE];
    static size_t filled;
    char *end;
    ssize_t got = read(STDIN_FILENO, buffer + filled, sizeof buffer - 1 - filled);

    if (got <= 0)
        return 0;
    filled += (size_t)got;
    buffer[filled] = '\0';
    while ((end = strchr(buffer, '\n')) != NULL) {
        const char *trouble;
        *end = '\0';
        trouble = obey(buffer);
        if (trouble != NULL)
            printf("bad %s\n", trouble);
        else
            printf("ok\n");
        filled -= (size_t)(end + 1 - buffer);
        memmove(buffer, end + 1, filled + 1);
    }
    return filled < sizeof buffer - 1; /* a line that does not fit is the end, too */
}

/* Answer one request; 0 when the client has gone. */
static int serve(int fd)
{
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    static uint8_t coils[SIZE];
    static uint16_t holding[SIZE];
    int length, i;

    modbus_set_socket(ctx, fd);
    length = modbus_receive(ctx, query);
    if (length < 0)
        return 0;
    if (length == 0)
        return 1;
    memcpy(coils, map->tab_bits, sizeof coils);
    memcpy(holding, map->tab_registers, sizeof holding);
    if (delay_ms > 0)
        pause_ms(delay_ms);
    if (modbus_reply(ctx, query, length, map) < 0)
        return 0;
    for (i = 0; i < SIZE; i++) {
        if (coils[i] != map->tab_bits[i])
            printf("coil %d %d\n", i, map->tab_bits[i]);
        if (holding[i] != map->tab_registers[i])
            printf("holding %d %d\n", i, map->tab_registers[i]);
    }
    return 1;
}

int main(int argc, char **argv)
{
    struct sockaddr_in self = {0};
    socklen_t size = sizeof self;
    int i;

    setvbuf(stdout, NULL, _IOLBF, 0);
    rtu = argc == 3;
    ctx = rtu ? modbus_new_rtu(argv[1], atoi(argv[2]), 'N', 8, 1) : modbus_new_tcp("127.0.0.1", 0);
    map = modbus_mapping_new(SIZE, SIZE, SIZE, SIZE);
    if (ctx == NULL || map == NULL)
        die("libmodbus");
    fds[0].fd = STDIN_FILENO;
    if (rtu && (modbus_set_slave(ctx, 1) < 0 || modbus_connect(ctx) < 0))
        die("serial port");
    fds[1].fd = rtu ? modbus_get_socket(ctx) : modbus_tcp_listen(ctx, MAX_CLIENTS);
    if (fds[1].fd < 0 || (!rtu && getsockname(fds[1].fd, (struct sockaddr *)&self, &size) < 0))
        die("listen");
    fds[0].events = fds[1].events = POLLIN;
    printf("port %d\n", ntohs(self.sin_port));

    for (;;) {
        if (poll(fds, (nfds_t)nfds, -1) < 0)
            die("poll");
        if (fds[0].revents != 0 && !hear())
            break;
        for (i = 2; i < nfds; i++) {
            if (fds[i].revents == 0 || serve(fds[i].fd))
                continue;
            close(fds[i].fd);
            fds[i--] = fds[--nfds];
        }
        if (fds[1].revents != 0 && rtu) {
            if (!serve(fds[1].fd))
                modbus_flush(ctx); /* damaged, or meant for nobody: wait for the next */
        } else if (fds[1].revents != 0) {
            int fd = accept(fds[1].fd, NULL, NULL);
            if (fd >= 0 && nfds < 2 + MAX_CLIENTS) {
                fds[nfds].fd = fd;
                fds[nfds].events = POLLIN;
                fds[nfds++].revents = 0;
            } else if (fd >= 0) {
                close(fd);
            }
        }
    }
    modbus_mapping_free(map);
    modbus_free(ctx);
    return 0;
}
