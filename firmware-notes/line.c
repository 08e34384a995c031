/* Writes one line for Warecast: see line.h. */
#include "line.h"

/* What line_end may need beyond the records: "]", " " and eight digits, CR LF. */
#define TAIL 12

static const char *const UNITS[] = {"g", "kg", "Cel", "%RH", "count"};

/* Characters of a text, at most `most` + 1. */
static size_t length_of(const char *text, size_t most)
{
    size_t n = 0;
    while (n <= most && text[n] != '\0') {
        n++;
    }
    return n;
}

/* Whether a name can stand in the line, and in Warecast, as it is. */
static bool is_plain(const char *text, size_t length)
{
    for (size_t i = 0; i < length; i++) {
        char c = text[i];
        if (c < ' ' || c > '~' || c == '"' || c == '\\' || c == '/') {
            return false;
        }
    }
    return true;
}

/* Appends a character while there is room beside the tail; the length grows in any case, so that
 * the caller sees what did not fit. */
static void put(struct line *line, char c)
{
    if (line->size >= TAIL && line->length < line->size - TAIL) {
        line->text[line->length] = c;
    }
    line->length++;
}

static void put_text(struct line *line, const char *text)
{
    while (*text != '\0') {
        put(line, *text++);
    }
}

/* value / 10^decimals, digit by digit; the most negative number has no positive twin. */
static void put_value(struct line *line, int32_t value, uint8_t decimals)
{
    uint32_t rest = value < 0 ? 0u - (uint32_t)value : (uint32_t)value;
    char digits[11];
    uint8_t n = 0;
    do {
        digits[n++] = (char)('0' + rest % 10u);
        rest /= 10u;
    } while (rest > 0 || n <= decimals);
    if (value < 0) {
        put(line, '-');
    }
    while (n > 0) {
        if (n == decimals) {
            put(line, '.');
        }
        put(line, digits[--n]);
    }
}

void line_begin(struct line *line, char *buffer, size_t size, const char *base_name)
{
    line->text = buffer;
    line->size = buffer == NULL ? 0 : size;
    line->length = 0;
    line->base_name = base_name == NULL ? "" : base_name;
    line->base = length_of(line->base_name, LINE_NAME);
    line->begun = false;
    put(line, '[');
}

bool line_add(struct line *line, const char *name, enum line_unit unit, int32_t value,
              uint8_t decimals)
{
    size_t before = line->length;
    size_t length = name == NULL ? 0 : length_of(name, LINE_NAME);
    if (length == 0 || line->base > LINE_NAME || length > LINE_NAME - line->base || decimals > 9 ||
        (size_t)unit >= sizeof UNITS / sizeof UNITS[0] || !is_plain(name, length) ||
        !is_plain(line->base_name, line->base)) {
        return false;
    }
    if (line->begun) {
        put(line, ',');
    }
    put_text(line, "{");
    if (!line->begun && line->base > 0) {
        put_text(line, "\"bn\":\"");
        put_text(line, line->base_name);
        put_text(line, "\",");
    }
    put_text(line, "\"n\":\"");
    put_text(line, name);
    put_text(line, "\",\"u\":\"");
    put_text(line, UNITS[unit]);
    put_text(line, "\",\"v\":");
    put_value(line, value, decimals);
    put(line, '}');
    if (line->size < TAIL || line->length > line->size - TAIL) {
        line->length = before;
        return false;
    }
    line->begun = true;
    return true;
}

/* CRC-32/ISO-HDLC, bit by bit: a line a second needs no table. */
static uint32_t checksum(const char *text, size_t length)
{
    uint32_t crc = 0xFFFFFFFFu;
    for (size_t i = 0; i < length; i++) {
        crc ^= (uint8_t)text[i];
        for (uint8_t bit = 0; bit < 8; bit++) {
            crc = (crc >> 1) ^ (0xEDB88320u & (0u - (crc & 1u)));
        }
    }
    return ~crc;
}

size_t line_end(struct line *line, bool with_checksum)
{
    char *text = line->text;
    size_t n = line->length;
    if (!line->begun || line->size < LINE_LEAST) {
        return 0;
    }
    text[n++] = ']';
    if (with_checksum) {
        uint32_t crc = checksum(text, n);
        text[n++] = ' ';
        for (int shift = 28; shift >= 0; shift -= 4) {
            text[n++] = "0123456789abcdef"[crc >> shift & 0xFu];
        }
    }
    text[n++] = '\r';
    text[n++] = '\n';
    return n;
}
