/* Writes one line for Warecast: SenML (RFC 8428) in JSON, with an optional checksum.
 *
 * Portable C99: no heap, no floating point, no other library, nothing kept between lines. The
 * line grows in a buffer of the caller's. A record that does not fit, or that could not be read,
 * is left out as a whole and said so; what stands in the buffer is a good line at any time.
 *
 *     char buffer[200];
 *     struct line line;
 *     line_begin(&line, buffer, sizeof buffer, "shelf-a:");
 *     line_add(&line, "cell-1", LINE_COUNT, raw, 0);
 *     line_add(&line, "room", LINE_CELSIUS, 198, 1);            19.8 degrees
 *     line_add(&line, "room", LINE_HUMIDITY, 540, 1);           54.0 %RH
 *     serial_write(buffer, line_end(&line, true));
 *
 * Licensed as the program: MIT or Apache-2.0, as you like.
 */
#ifndef WARECAST_LINE_H
#define WARECAST_LINE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* What is measured, and with it its unit. */
enum line_unit {
    LINE_GRAM,     /* g: mass */
    LINE_KILOGRAM, /* kg: mass */
    LINE_CELSIUS,  /* Cel: temperature */
    LINE_HUMIDITY, /* %RH: relative humidity */
    LINE_COUNT     /* count: the converter's raw value, which Warecast calibrates */
};

/* Longest name, base name and name together. */
#define LINE_NAME 64
/* Smallest buffer that holds any line: "[]", a checksum, CR LF. */
#define LINE_LEAST 13

/* A line on its way. Its fields are nobody else's business. */
struct line {
    char *text;
    size_t size, length;
    size_t base; /* characters of the base name */
    bool begun;  /* the first record is there, and with it the base name */
    const char *base_name;
};

/* Begins a line in a buffer. The base name stands before each name ("shelf-a:"); NULL or "" for
 * none. It must live as long as the line. */
void line_begin(struct line *line, char *buffer, size_t size, const char *base_name);

/* Adds a record: value / 10^decimals in that unit (812.4 g: 8124, 1). False, and nothing added, if
 * it does not fit, if a name is empty, too long or holds anything but printable ASCII without
 * quotes, backslash and slash, or if decimals are more than 9. */
bool line_add(struct line *line, const char *name, enum line_unit unit, int32_t value,
              uint8_t decimals);

/* Ends the line, with a checksum (CRC-32/ISO-HDLC) if wanted, and CR LF. Returns its length; 0 if
 * it holds no record or the buffer is smaller than LINE_LEAST. No NUL is written. A source that
 * has once sent a checksum must go on doing so. */
size_t line_end(struct line *line, bool with_checksum);

#endif
