/* Writes lines of all kinds to standard output, for the program's parser to read: see
 * tests/firmware.rs. Checks by itself that nothing is written beyond a buffer.
 *
 *     cc -std=c99 -o line_test line_test.c line.c && ./line_test
 */
#include "line.h"

#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void check(bool right, const char *what)
{
    if (!right) {
        fprintf(stderr, "wrong: %s\n", what);
        exit(1);
    }
}

static void print(struct line *line, bool with_checksum)
{
    size_t n = line_end(line, with_checksum);
    fwrite(line->text, 1, n, stdout);
}

/* Every kind of record, the ends of the range, every number of decimals. */
static void all_kinds(void)
{
    static const int32_t values[] = {0, 1, -1, 9, -10, 8124, -35, 8388607, -8388608, INT_MAX, INT_MIN};
    char buffer[4096];
    struct line line;
    for (int unit = LINE_GRAM; unit <= LINE_COUNT; unit++) {
        for (size_t i = 0; i < sizeof values / sizeof values[0]; i++) {
            for (uint8_t decimals = 0; decimals <= 9; decimals++) {
                char name[16];
                sprintf(name, "n%d-%d-%d", unit, (int)i, decimals);
                line_begin(&line, buffer, sizeof buffer, i % 2 ? "shelf-a:" : NULL);
                check(line_add(&line, name, (enum line_unit)unit, values[i], decimals), name);
                print(&line, decimals % 2 == 0);
            }
        }
    }
}

/* Buffers of every size: a record that does not fit is left out, the others stand. */
static void all_sizes(void)
{
    for (size_t size = 0; size <= 160; size++) {
        char buffer[200];
        struct line line;
        memset(buffer, 0x7E, sizeof buffer);
        line_begin(&line, buffer + 8, size, "b:");
        bool one = line_add(&line, "one", LINE_GRAM, 8124, 1);
        bool two = line_add(&line, "two-with-a-longer-name", LINE_COUNT, INT_MIN, 0);
        bool three = line_add(&line, "3", LINE_HUMIDITY, 540, 1);
        size_t n = line_end(&line, true);
        check(n <= size, "a line longer than its buffer");
        check((n > 0) == (one || two || three), "a line without a record, or none with one");
        for (size_t i = 0; i < sizeof buffer; i++) {
            check((i >= 8 && i < 8 + size) || buffer[i] == 0x7E, "written beyond the buffer");
        }
        fwrite(buffer + 8, 1, n, stdout);
    }
}

/* What could not be read is refused. */
static void all_refusals(void)
{
    char buffer[400], name[80];
    struct line line;
    memset(name, 'x', sizeof name);
    name[LINE_NAME + 1] = '\0';
    line_begin(&line, buffer, sizeof buffer, "");
    check(line_end(&line, true) == 0, "a line without a record");
    line_begin(&line, buffer, sizeof buffer, "");
    check(!line_add(&line, "", LINE_GRAM, 1, 0), "no name");
    check(!line_add(&line, NULL, LINE_GRAM, 1, 0), "NULL");
    check(!line_add(&line, "a\"b", LINE_GRAM, 1, 0), "a quote");
    check(!line_add(&line, "a\\b", LINE_GRAM, 1, 0), "a backslash");
    check(!line_add(&line, "a/b", LINE_GRAM, 1, 0), "a slash");
    check(!line_add(&line, "a\nb", LINE_GRAM, 1, 0), "a line end");
    check(!line_add(&line, "\xC3\xA9", LINE_GRAM, 1, 0), "not ASCII");
    check(!line_add(&line, name, LINE_GRAM, 1, 0), "65 characters");
    check(!line_add(&line, "a", (enum line_unit)9, 1, 0), "no unit");
    check(!line_add(&line, "a", LINE_GRAM, 1, 10), "ten decimals");
    name[LINE_NAME] = '\0';
    check(line_add(&line, name, LINE_GRAM, 1, 0), "64 characters");
    print(&line, true);
    line_begin(&line, buffer, sizeof buffer, "bad\"base");
    check(!line_add(&line, "a", LINE_GRAM, 1, 0), "a base name with a quote");
    line_begin(&line, buffer, sizeof buffer, "base");
    check(!line_add(&line, name, LINE_GRAM, 1, 0), "68 characters together");
    line_begin(&line, NULL, 100, NULL);
    check(!line_add(&line, "a", LINE_GRAM, 1, 0) && line_end(&line, true) == 0, "no buffer");
}

int main(void)
{
    all_kinds();
    all_sizes();
    all_refusals();
    return 0;
}
