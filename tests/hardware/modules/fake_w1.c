// SPDX-License-Identifier: MIT OR GPL-2.0
/*
 * A 1-Wire bus with thermometers that aren't there, for tests of the kernel's real w1_therm. Each is a DS18B20 as its
 * datasheet has it (Maxim/TI DS18B20: ROM commands, function commands, scratchpad, CRC), bit by bit; several on the bus
 * answer together, and the bus is their wired AND.
 *
 * A conversion takes the datasheet's longest time for the part's bits; until then its scratchpad holds the value of the
 * one before. Without its supply, so also when it is plugged in, a part goes back to the power-on value and to the bits
 * that its EEPROM keeps.
 *
 * Each has a folder in debugfs below fake_w1, named after its serial number: `present` (1 or 0), `sixteenths` (of a
 * degree: what it measures), `bits` (that it converts by), `fault`, write one of
 *   none
 *   crc      the checksum of its scratchpad is wrong
 *   reset    it loses its supply in every conversion: its scratchpad holds the power-on value, 85 degrees
 *   slow     a conversion never ends: the value of the one before is answered, with a good checksum
 *   fixed    its bits can't be set, as those of some copies of the part: what is written is taken and forgotten
 * The bus has `fault` beside them: none; short, its data line is held low; hang, whoever uses it waits. And
 * `conversions`, a line for each part: how many it has begun by a command to all parts, and by one to it alone.
 */
#include <linux/completion.h>
#include <linux/debugfs.h>
#include <linux/ktime.h>
#include <linux/module.h>
#include <linux/mutex.h>
#include <linux/seq_file.h>
#include <linux/slab.h>
#include <linux/uaccess.h>
#include <linux/w1.h>

#define POWER_ON (85 * 16)

enum fault { NONE, CRC, RESET, SLOW, FIXED };
static const char *const fault_words[] = { "none", "crc", "reset", "slow", "fixed" };
enum bus_fault { BUS_NONE, BUS_SHORT, BUS_HANG };
static const char *const bus_fault_words[] = { "none", "short", "hang" };

enum state { IDLE, ROM_COMMAND, MATCH, SEARCH_BIT, SEARCH_COMPLEMENT, SEARCH_CHOICE, FUNCTION, READING, WRITING, CONVERTING,
	     ONES };

struct thermometer {
	u64 rom;
	bool present;
	u32 sixteenths;
	enum fault fault;
	s16 converted, converting;
	bool busy;
	ktime_t done;
	bool to_all;
	u32 together, alone;
	u8 high, low, configuration, kept[3];
	enum state state;
	unsigned int bit;
	u8 command;
	u8 scratchpad[9];
	u8 written[3];
};

static struct thermometer thermometers[4];
static const u32 serials[] = { 0xa1, 0xa2, 0xa3, 0xb7 };
static enum bus_fault bus_fault;
static DECLARE_COMPLETION(freed);
static DEFINE_MUTEX(lock);

static unsigned int bits_above_9(const struct thermometer *part)
{
	return part->configuration >> 5 & 3;
}

static void recall(struct thermometer *part)
{
	part->high = part->kept[0];
	part->low = part->kept[1];
	part->configuration = part->kept[2];
}

static void power_on(struct thermometer *part)
{
	recall(part);
	part->converted = POWER_ON;
	part->busy = false;
}

static void convert(struct thermometer *part)
{
	static const s16 mask[4] = { ~7, ~3, ~1, ~0 }; /* 9 to 12 bits */

	if (part->to_all)
		part->together++;
	else
		part->alone++;
	if (part->fault == SLOW)
		return;
	if (part->fault == RESET) {
		power_on(part);
		return;
	}
	part->converting = (s16)part->sixteenths & mask[bits_above_9(part)];
	part->done = ktime_add_us(ktime_get(), 93750 << bits_above_9(part));
	part->busy = true;
}

static void end_conversion_where_due(struct thermometer *part)
{
	if (!part->busy || ktime_before(ktime_get(), part->done))
		return;
	part->converted = part->converting;
	part->busy = false;
}

static void fill_scratchpad(struct thermometer *part)
{
	u8 *pad = part->scratchpad;

	pad[0] = part->converted;
	pad[1] = part->converted >> 8;
	pad[2] = part->high;
	pad[3] = part->low;
	pad[4] = part->configuration;
	pad[5] = 0xff;
	pad[6] = 0x0c;
	pad[7] = 0x10;
	pad[8] = w1_calc_crc8(pad, 8);
	if (part->fault == CRC)
		pad[8] ^= 0x5a;
}

static void function(struct thermometer *part)
{
	part->bit = 0;
	switch (part->command) {
	case 0x44: /* convert */
		convert(part);
		part->state = CONVERTING;
		break;
	case 0xbe: /* read the scratchpad */
		end_conversion_where_due(part);
		fill_scratchpad(part);
		part->state = READING;
		break;
	case 0x4e: /* write it */
		part->state = WRITING;
		break;
	case 0x48: /* copy to the EEPROM */
		part->kept[0] = part->high;
		part->kept[1] = part->low;
		part->kept[2] = part->configuration;
		part->state = ONES;
		break;
	case 0xb8: /* and back */
		recall(part);
		part->state = ONES;
		break;
	case 0xb4: /* supplied by its own pin: ones */
		part->state = ONES;
		break;
	default:
		part->state = IDLE;
	}
	part->command = 0;
}

/* One time slot: the master sends `bit`, a 1 also being what it sends to read. The answer is what the part lets pass. */
static u8 slot(struct thermometer *part, u8 bit)
{
	const u8 own = part->rom >> part->bit & 1;
	u8 answer = bit;

	switch (part->state) {
	case IDLE:
		break;
	case CONVERTING: /* zeros until it is over */
		end_conversion_where_due(part);
		answer = part->busy ? 0 : bit;
		break;
	case ONES:
		answer = 1;
		break;
	case ROM_COMMAND:
	case FUNCTION:
		part->command |= bit << part->bit;
		if (++part->bit < 8)
			break;
		part->bit = 0;
		if (part->state == FUNCTION) {
			function(part);
			break;
		}
		part->to_all = part->command == 0xcc;
		part->state = part->command == 0xf0 ? SEARCH_BIT :
			      part->command == 0x55 ? MATCH :
			      part->command == 0xcc ? FUNCTION :
			      part->command == 0x33 ? READING : IDLE;
		if (part->command == 0x33) {
			unsigned int i;

			for (i = 0; i < 8; i++)
				part->scratchpad[i] = part->rom >> (8 * i);
		}
		part->command = 0;
		break;
	case MATCH:
		if (bit != own)
			part->state = IDLE;
		else if (++part->bit == 64) {
			part->bit = 0;
			part->state = FUNCTION;
		}
		break;
	case SEARCH_BIT:
		answer = own;
		part->state = SEARCH_COMPLEMENT;
		break;
	case SEARCH_COMPLEMENT:
		answer = !own;
		part->state = SEARCH_CHOICE;
		break;
	case SEARCH_CHOICE:
		if (bit != own) {
			part->state = IDLE;
		} else if (++part->bit == 64) {
			part->bit = 0;
			part->state = FUNCTION;
		} else {
			part->state = SEARCH_BIT;
		}
		break;
	case READING:
		answer = part->bit < 72 ? part->scratchpad[part->bit / 8] >> part->bit % 8 & 1 : 1;
		part->bit++;
		break;
	case WRITING:
		if (part->bit % 8 == 0)
			part->written[part->bit / 8] = 0;
		part->written[part->bit / 8] |= bit << part->bit % 8;
		if (++part->bit == 24) {
			part->high = part->written[0];
			part->low = part->written[1];
			if (part->fault != FIXED)
				part->configuration = (part->written[2] & 0x60) | 0x1f;
			part->state = IDLE;
		}
		break;
	}
	return answer;
}

static void wait_while_hanging(void)
{
	if (READ_ONCE(bus_fault) == BUS_HANG)
		wait_for_completion(&freed);
}

static u8 touch_bit(void *data, u8 bit)
{
	u8 line = bit;
	unsigned int i;

	wait_while_hanging();
	if (READ_ONCE(bus_fault) == BUS_SHORT)
		return 0;
	mutex_lock(&lock);
	for (i = 0; i < ARRAY_SIZE(thermometers); i++)
		if (thermometers[i].present)
			line &= slot(&thermometers[i], bit);
	mutex_unlock(&lock);
	return line;
}

/* 0: somebody is there. A line that is held low looks the same to most masters. */
static u8 reset_bus(void *data)
{
	u8 absent = 1;
	unsigned int i;

	wait_while_hanging();
	mutex_lock(&lock);
	for (i = 0; i < ARRAY_SIZE(thermometers); i++) {
		struct thermometer *part = &thermometers[i];

		part->state = ROM_COMMAND;
		part->bit = 0;
		part->command = 0;
		if (part->present)
			absent = 0;
	}
	mutex_unlock(&lock);
	return READ_ONCE(bus_fault) == BUS_SHORT ? 0 : absent;
}

static struct w1_bus_master bus = { .touch_bit = touch_bit, .reset_bus = reset_bus };

/* debugfs */

static int word_of(const char __user *from, size_t size, const char *const *words, size_t count)
{
	char text[16];

	if (size >= sizeof(text))
		return -EINVAL;
	if (copy_from_user(text, from, size))
		return -EFAULT;
	text[size] = '\0';
	return match_string(words, count, strim(text));
}

static ssize_t fault_write(struct file *file, const char __user *from, size_t size, loff_t *offset)
{
	struct thermometer *part = file->private_data;
	const int word = word_of(from, size, fault_words, ARRAY_SIZE(fault_words));

	if (word < 0)
		return word;
	mutex_lock(&lock);
	part->fault = word;
	mutex_unlock(&lock);
	return size;
}

static int present_get(void *data, u64 *value)
{
	*value = ((struct thermometer *)data)->present;
	return 0;
}

static int present_set(void *data, u64 value)
{
	struct thermometer *part = data;

	mutex_lock(&lock);
	if (value && !part->present) {
		power_on(part);
		part->state = IDLE; /* until the next reset */
	}
	part->present = value;
	mutex_unlock(&lock);
	return 0;
}
DEFINE_DEBUGFS_ATTRIBUTE(present_file, present_get, present_set, "%llu\n");

static int bits_get(void *data, u64 *value)
{
	*value = 9 + bits_above_9(data);
	return 0;
}
DEFINE_DEBUGFS_ATTRIBUTE(bits_file, bits_get, NULL, "%llu\n");

static int conversions_show(struct seq_file *file, void *data)
{
	unsigned int i;

	mutex_lock(&lock);
	for (i = 0; i < ARRAY_SIZE(thermometers); i++)
		seq_printf(file, "%x %u %u\n", serials[i], thermometers[i].together, thermometers[i].alone);
	mutex_unlock(&lock);
	return 0;
}
DEFINE_SHOW_ATTRIBUTE(conversions);

static ssize_t bus_fault_write(struct file *file, const char __user *from, size_t size, loff_t *offset)
{
	const int word = word_of(from, size, bus_fault_words, ARRAY_SIZE(bus_fault_words));

	if (word < 0)
		return word;
	if (word == BUS_HANG)
		reinit_completion(&freed);
	WRITE_ONCE(bus_fault, word);
	if (word != BUS_HANG)
		complete_all(&freed);
	return size;
}

static const struct file_operations fault_file = { .owner = THIS_MODULE, .open = simple_open, .write = fault_write };
static const struct file_operations bus_fault_file = { .owner = THIS_MODULE, .open = simple_open,
						       .write = bus_fault_write };
static struct dentry *folder;

static int __init begin(void)
{
	unsigned int i;
	int error;

	folder = debugfs_create_dir("fake_w1", NULL);
	debugfs_create_file("fault", 0200, folder, NULL, &bus_fault_file);
	debugfs_create_file("conversions", 0400, folder, NULL, &conversions_fops);
	for (i = 0; i < ARRAY_SIZE(thermometers); i++) {
		struct thermometer *part = &thermometers[i];
		u8 rom[8] = { 0x28, serials[i] };
		struct dentry *own;
		char name[16];
		unsigned int byte;

		rom[7] = w1_calc_crc8(rom, 7);
		for (byte = 0; byte < 8; byte++)
			part->rom |= (u64)rom[byte] << (8 * byte);
		part->sixteenths = 25 * 16;
		part->kept[0] = 0x4b;
		part->kept[1] = 0x46;
		part->kept[2] = 0x7f;
		power_on(part);
		part->present = i < 2;
		snprintf(name, sizeof(name), "%x", serials[i]);
		own = debugfs_create_dir(name, folder);
		debugfs_create_file_unsafe("present", 0600, own, part, &present_file);
		debugfs_create_u32("sixteenths", 0600, own, &part->sixteenths);
		debugfs_create_file_unsafe("bits", 0400, own, part, &bits_file);
		debugfs_create_file("fault", 0200, own, part, &fault_file);
	}
	error = w1_add_master_device(&bus);
	if (error)
		debugfs_remove(folder);
	return error;
}

static void __exit end(void)
{
	w1_remove_master_device(&bus);
	debugfs_remove(folder);
}

module_init(begin);
module_exit(end);
MODULE_DESCRIPTION("A 1-Wire bus with thermometers that aren't there, for tests");
MODULE_LICENSE("Dual MIT/GPL");
