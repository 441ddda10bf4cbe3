/* A bridge to start from in C: no library but the standard one, no allocation. Allows nothing yet.
 *
 *     gcc -O2 -Wall -o bridge bridge.c && packyoke judge stdio:./bridge
 *
 * Lines longer than LONGEST are dropped whole. The reader below knows flat objects of integers,
 * texts, true, false and null, and skips what is nested; that is enough for reports.
 */
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LONGEST 16384
#define DEEPEST 16
#define MOST_PACKS 64
#define NAME 17

struct pack {
	char name[NAME];
	bool heard;
	long t, sample, charge_limit_ma, discharge_limit_ma; /* LONG_MIN would be unknown: write it */
};

static struct pack packs[MOST_PACKS];
static int pack_count = -1; /* before the first reset there is no bank */

/* Return the end of the JSON value at `at`, or NULL if there is none. */
static const char *skip(const char *at, int depth)
{
	char stack[DEEPEST];
	while (*at) {
		if (*at == '"') {
			for (at++; *at != '"'; at++) {
				if (*at == '\\')
					at++;
				if (!*at || (unsigned char)*at < 32)
					return NULL;
			}
			at++;
		} else if (*at == '{' || *at == '[') {
			if (depth >= DEEPEST)
				return NULL;
			stack[depth++] = *at++ == '{' ? '}' : ']';
			continue;
		} else if (*at == '}' || *at == ']') {
			if (depth == 0)
				return at;
			if (stack[--depth] != *at++)
				return NULL;
		} else if (*at == ',' || *at == ':') {
			if (depth == 0)
				return at;
			at++;
			continue;
		} else if (strchr(" \t", *at) || strchr("-+.0123456789eEtrufalsn", *at)) {
			at++;
			continue;
		} else {
			return NULL;
		}
		if (depth == 0)
			return at;
	}
	return depth == 0 ? at : NULL;
}

/* Return the value of `key` in the object `line`, or NULL. */
static const char *find(const char *line, const char *key)
{
	size_t length = strlen(key);
	const char *at = line;
	if (*at++ != '{')
		return NULL;
	while (*at && *at != '}') {
		const char *name, *end;
		at += strspn(at, " \t,");
		if (*at != '"')
			return NULL;
		name = at + 1;
		end = skip(at, 0);
		if (!end)
			return NULL;
		at = end + strspn(end, " \t");
		if (*at++ != ':')
			return NULL;
		at += strspn(at, " \t");
		if ((size_t)(end - 1 - name) == length && !strncmp(name, key, length))
			return at;
		at = skip(at, 0);
		if (!at)
			return NULL;
	}
	return NULL;
}

/* Is the line one whole object? */
static bool whole(const char *line)
{
	const char *end = *line == '{' ? skip(line, 0) : NULL;
	return end && !end[strspn(end, " \t\r")];
}

static bool integer(const char *line, const char *key, long *value)
{
	const char *at = find(line, key);
	char *end;
	if (!at)
		return false;
	*value = strtol(at, &end, 10);
	return end != at && strchr(",} \t", *end) != NULL;
}

static bool text(const char *line, const char *key, char *value, size_t size)
{
	const char *at = find(line, key), *end;
	if (!at || *at++ != '"')
		return false;
	end = strchr(at, '"');
	if (!end || (size_t)(end - at) >= size)
		return false;
	memcpy(value, at, (size_t)(end - at));
	value[end - at] = 0;
	return true;
}

static void no(const char *error) { printf("{\"ok\":false,\"error\":\"%s\"}\n", error); }

/* Write this: the limits [mA, mV]. Until then nothing is allowed. */
static void decide(long now_ms, long *charge_ma, long *discharge_ma, long *charge_mv, long *discharge_mv)
{
	(void)now_ms;
	*charge_ma = *discharge_ma = *charge_mv = 0;
	*discharge_mv = 150000;
}

static void reset(const char *line)
{
	const char *settings = find(line, "settings");
	const char *at = settings && *settings == '{' ? find(settings, "packs") : NULL;
	int count = 0;
	if (!at || *at++ != '[') {
		no("settings: expected an object with packs");
		return;
	}
	memset(packs, 0, sizeof packs);
	pack_count = -1;
	for (at += strspn(at, " \t,"); *at == '{'; at += strspn(at, " \t,")) {
		if (count == MOST_PACKS || !text(at, "pack", packs[count].name, NAME)) {
			no("packs: expected at most 64, each with a name");
			return;
		}
		count++;
		at = skip(at, 0);
		if (!at)
			return no("packs: expected objects");
	}
	pack_count = count;
	puts("{\"ok\":true}");
}

static void report(const char *line)
{
	char name[NAME];
	long t, sample;
	int i;
	if (!text(line, "pack", name, NAME) || !integer(line, "t", &t) || !integer(line, "sample", &sample))
		return no("expected pack, t and sample");
	for (i = 0; i < pack_count && strcmp(packs[i].name, name); i++)
		;
	if (i == pack_count)
		return no("pack: expected the name of a pack in the settings");
	/* Read and check every field here; refuse the whole report if one is wrong. */
	packs[i].heard = true;
	packs[i].t = t;
	packs[i].sample = sample;
	puts("{\"ok\":true}");
}

static void step(const char *line)
{
	long t, charge_ma, discharge_ma, charge_mv, discharge_mv;
	if (!integer(line, "t", &t))
		return no("t: expected an integer");
	decide(t, &charge_ma, &discharge_ma, &charge_mv, &discharge_mv);
	printf("{\"ok\":true,\"view\":{\"charge_current_limit_ma\":%ld,\"discharge_current_limit_ma\":%ld,"
	       "\"charge_allowed\":%s,\"discharge_allowed\":%s,"
	       "\"charge_voltage_limit_mv\":%ld,\"discharge_voltage_limit_mv\":%ld}}\n",
	       charge_ma, discharge_ma, charge_ma > 0 ? "true" : "false",
	       discharge_ma > 0 ? "true" : "false", charge_mv, discharge_mv);
}

static void answer(const char *line)
{
	char op[16];
	if (!whole(line))
		return no("not an object");
	if (!text(line, "op", op, sizeof op))
		return no("op: expected a text");
	if (!strcmp(op, "hello"))
		puts("{\"ok\":true,\"name\":\"my-c\",\"version\":\"0.1\",\"protocol\":1,"
		     "\"supports\":[\"limits\",\"time\"]}");
	else if (!strcmp(op, "reset"))
		reset(line);
	else if (pack_count < 0)
		no("expected reset first");
	else if (!strcmp(op, "report"))
		report(line);
	else if (!strcmp(op, "step"))
		step(line);
	else
		no("unsupported");
}

int main(void)
{
	static char line[LONGEST];
	size_t length = 0;
	bool bad = false; /* too long, or with a zero in it */
	int c;
	while ((c = getchar()) != EOF) {
		if (c != '\n') {
			bad = bad || c == 0 || length >= LONGEST - 1;
			if (!bad)
				line[length++] = (char)c;
			continue;
		}
		line[length] = 0;
		if (bad)
			no("not a line of text of at most 16383 bytes");
		else if (line[strspn(line, " \t\r")] && line[0] != '#')
			answer(line);
		fflush(stdout);
		length = 0;
		bad = false;
	}
	return 0;
}
