/*
 * Runs the sensor's firmware, instruction by instruction, in simavr's library: its serial
 * line becomes a pseudo-terminal, its analogue inputs follow commands on standard input.
 *
 *   simulator FIRMWARE.elf [SPEED]
 *
 * SPEED is a factor against real time, 1 without it; 0 = as fast as it goes.
 * Prints 'port PATH', then 'lamp on MICROSECONDS' and 'lamp off MICROSECONDS' (and what
 * simavr itself has to say about loading).
 * Commands, one a line:
 *
 *   incl DEGREES    dist MILLIMETRES    temp CELSIUS    the world, in true values
 *   volts INPUT VOLTS                                   an input at a fixed voltage
 *   noise MILLIVOLTS                                    standard deviation on all inputs
 *   quit                                                so does the end of the input
 *
 * SPDX-License-Identifier: MIT OR Apache-2.0
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "avr_adc.h"
#include "avr_ioport.h"
#include "avr_uart.h"
#include "sim_avr.h"
#include "sim_elf.h"

#include "elements.h"

#define CLOCK_HZ 16000000UL
#define SUPPLY_MV 5000.0
#define INPUTS 3
/* How often the outside is looked at: 0.5 ms of the device's time. */
#define SLICE_CYCLES (CLOCK_HZ / 2000)

static avr_t *avr;
static int terminal;
static double input_mv[INPUTS];
static double noise_mv = 3;
static int line_open; /* the device's receive buffer has room */

static void die(const char *what)
{
    fprintf(stderr, "simulator: %s: %s\n", what, strerror(errno));
    exit(1);
}

/* ---- analogue inputs ---- */

/* Sum of twelve uniform numbers: near enough to a normal one out to six deviations. */
static double normal(void)
{
    double sum = -6;
    int i;
    for (i = 0; i < 12; i++)
        sum += rand() / (RAND_MAX + 1.0);
    return sum;
}

/*
 * A conversion begins. The data sheet's converter gives the whole part of 1024 * in / ref;
 * simavr computes with 1023 and whole millivolts. So the right number is computed here, and
 * a voltage is given that makes the simulator come to it.
 */
static void on_conversion(struct avr_irq_t *irq, uint32_t value, void *param)
{
    union {
        avr_adc_mux_t mux;
        uint32_t v;
    } asked = {.v = value};
    int input = asked.mux.src;
    double code;
    (void)irq;
    (void)param;
    if (input >= INPUTS)
        return;
    code = floor((input_mv[input] + noise_mv * normal()) * 1024 / SUPPLY_MV);
    code = fmin(fmax(code, 0), 1023);
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + input),
                  (uint32_t)ceil(code * SUPPLY_MV / 1023));
}

/* ---- serial line ---- */

static void on_byte_out(struct avr_irq_t *irq, uint32_t value, void *param)
{
    uint8_t byte = (uint8_t)value;
    (void)irq;
    (void)param;
    /* Where nobody reads the terminal it fills up, and bytes fall off as on a real line. */
    if (write(terminal, &byte, 1) < 0 && errno != EAGAIN)
        die("writing to the pseudo-terminal");
}

static void on_line_open(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)value;
    (void)param;
    line_open = 1;
}

static void on_line_shut(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)value;
    (void)param;
    line_open = 0;
}

/* One byte at most in the time that one takes at 115200 baud; asked no more often. */
static void feed_line(void)
{
    static avr_cycle_count_t next;
    uint8_t byte;
    if (!line_open || avr->cycle < next)
        return;
    next = avr->cycle + CLOCK_HZ / 11520;
    if (read(terminal, &byte, 1) == 1)
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), byte);
}

static void open_terminal(void)
{
    struct termios raw;
    int other;
    terminal = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (terminal < 0 || grantpt(terminal) || unlockpt(terminal))
        die("no pseudo-terminal");
    /* Kept open, so that the terminal stays alive and raw between two readers. */
    other = open(ptsname(terminal), O_RDWR | O_NOCTTY);
    if (other < 0 || tcgetattr(other, &raw))
        die("no pseudo-terminal");
    cfmakeraw(&raw);
    if (tcsetattr(other, TCSANOW, &raw))
        die("no pseudo-terminal");
    printf("port %s\n", ptsname(terminal));
}

/* ---- lamp ---- */

static void on_lamp(struct avr_irq_t *irq, uint32_t value, void *param)
{
    static uint32_t before;
    (void)irq;
    (void)param;
    if (value == before)
        return;
    before = value;
    printf("lamp %s %llu\n", value ? "on" : "off",
           (unsigned long long)(avr->cycle / (CLOCK_HZ / 1000000)));
}

/* ---- commands ---- */

static void set_inclination(double degrees)
{
    double g = sin(degrees * M_PI / 180);
    input_mv[INPUT_INCLINATION] = SUPPLY_MV * (INCLINATION_LEVEL_PART + INCLINATION_G_PART * g);
}

static void set_distance(double mm)
{
    input_mv[INPUT_DISTANCE] = SUPPLY_MV * mm / DISTANCE_WHOLE_MM;
}

static void set_temperature(double celsius)
{
    input_mv[INPUT_TEMPERATURE] = TEMPERATURE_ZERO_MV + TEMPERATURE_DEGREE_MV * celsius;
}

static void obey(const char *line)
{
    double number;
    int input;
    if (sscanf(line, "incl %lf", &number) == 1)
        set_inclination(number);
    else if (sscanf(line, "dist %lf", &number) == 1)
        set_distance(number);
    else if (sscanf(line, "temp %lf", &number) == 1)
        set_temperature(number);
    else if (sscanf(line, "noise %lf", &number) == 1)
        noise_mv = number;
    else if (sscanf(line, "volts %d %lf", &input, &number) == 2 && input >= 0 && input < INPUTS)
        input_mv[input] = number * 1000;
    else if (strcmp(line, "quit") == 0)
        exit(0);
    else
        fprintf(stderr, "simulator: '%s' is no command\n", line);
}

static void hear_commands(void)
{
    static char line[256];
    static size_t length;
    struct pollfd input = {.fd = STDIN_FILENO, .events = POLLIN};
    char got[256];
    ssize_t count, i;

    if (poll(&input, 1, 0) <= 0)
        return;
    count = read(STDIN_FILENO, got, sizeof got);
    if (count <= 0)
        exit(0);
    for (i = 0; i < count; i++) {
        if (got[i] != '\n') {
            if (length < sizeof line - 1)
                line[length++] = got[i];
            continue;
        }
        line[length] = '\0';
        length = 0;
        if (line[0] != '\0')
            obey(line);
    }
}

/* ---- time ---- */

static void no_sleep(avr_t *device, avr_cycle_count_t cycles)
{
    /* The device's sleep only moves its clock on; keep_pace waits. */
    (void)device;
    (void)cycles;
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + t.tv_nsec * 1e-9;
}

static void keep_pace(double speed)
{
    static double began;
    static avr_cycle_count_t began_cycle;
    double ahead;
    if (speed <= 0)
        return;
    if (began == 0) {
        began = now_s();
        began_cycle = avr->cycle;
    }
    ahead = (avr->cycle - began_cycle) / (CLOCK_HZ * speed) - (now_s() - began);
    if (ahead > 0.001)
        usleep((useconds_t)(ahead * 1e6));
    else if (ahead < -1)
        began = 0; /* far behind: the machine slept or is too slow; do not race after it */
}

int main(int count, char **words)
{
    static elf_firmware_t firmware;
    uint32_t flags = 0;
    double speed = count > 2 ? atof(words[2]) : 1;
    avr_cycle_count_t look = 0;

    if (count < 2) {
        fprintf(stderr, "simulator FIRMWARE.elf [SPEED]\n");
        return 2;
    }
    setvbuf(stdout, NULL, _IOLBF, 0);
    signal(SIGPIPE, SIG_DFL);
    if (elf_read_firmware(words[1], &firmware) != 0) {
        fprintf(stderr, "simulator: '%s' is no firmware\n", words[1]);
        return 1;
    }
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr || avr_init(avr) != 0) {
        fprintf(stderr, "simulator: this simavr does not know the ATmega328P\n");
        return 1;
    }
    avr_load_firmware(avr, &firmware);
    avr->frequency = CLOCK_HZ;
    avr->vcc = avr->avcc = avr->aref = (uint32_t)SUPPLY_MV;
    avr->sleep = no_sleep;

    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT),
                            on_byte_out, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XON),
                            on_line_open, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XOFF),
                            on_line_shut, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER),
                            on_conversion, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), IOPORT_IRQ_PIN5),
                            on_lamp, NULL);

    set_inclination(0);
    set_distance(500);
    set_temperature(20);
    open_terminal();

    for (;;) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            fprintf(stderr, "simulator: the firmware %s\n",
                    state == cpu_Done ? "ended" : "crashed");
            return 1;
        }
        feed_line();
        if (avr->cycle >= look) {
            look = avr->cycle + SLICE_CYCLES;
            hear_commands();
            keep_pace(speed);
        }
    }
}
