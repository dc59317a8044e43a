#include "audio/header_guard.hpp"

#include <sys/stat.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <numeric>
#include <string_view>

namespace pipebeat::audio {

namespace {

constexpr std::size_t name_length = 4;
constexpr std::string_view free_space = "free";

std::int64_t big_endian(std::span<const char> bytes) {
  std::uint64_t value = 0;
  for (const char byte : bytes) value = value << 8 | static_cast<unsigned char>(byte);
  return static_cast<std::int64_t>(value);
}

std::int64_t little_endian(std::span<const char> bytes) {
  std::uint64_t value = 0;
  for (std::size_t i = bytes.size(); i-- > 0;) value = value << 8 | static_cast<unsigned char>(bytes[i]);
  return static_cast<std::int64_t>(value);
}

/// Where the names of the chunks to hide are. Chunk for chunk as libsndfile goes: with the titles
/// out of its sight, it takes every chunk for as long as it says.
std::vector<std::int64_t> names_to_hide(const ReadAt& read) {
  constexpr std::int64_t file_header = 8;
  // A packet table has two or three bytes for every 4096 frames: 3 MiB for a day at 48 kHz.
  constexpr std::int64_t longest_packet_table = std::int64_t{4} << 20;
  // libsndfile keeps the twelve bytes that every chunk starts with, 100 KiB at most.
  constexpr int most_chunks = 10'000;
  std::vector<std::int64_t> names;
  std::int64_t at = file_header;
  for (int i = 0; i < most_chunks; ++i) {
    std::array<char, 12> start{};
    if (read(at, start) != start.size()) break;
    const std::string_view name{start.data(), name_length};
    const std::int64_t length = big_endian(std::span{start}.subspan(name_length));
    // The description comes first, and libsndfile cuts its length down to 32 bits.
    const bool misread = i == 0 && length > longest_packet_table;
    if (name == "info" || (name == "pakt" && length > longest_packet_table) || misread)
      names.push_back(at);
    constexpr std::int64_t no_file_is_longer = std::int64_t{1} << 60;
    if (length < 0 || length > no_file_is_longer) break;
    at += static_cast<std::int64_t>(start.size()) + length;
  }
  return names;
}

/// Overwrites what of the chunk names lies within `bytes`, which are those from place `at` on.
void hide(std::span<const std::int64_t> names, std::span<char> bytes, std::int64_t at) {
  const std::int64_t end = at + static_cast<std::int64_t>(bytes.size());
  for (auto name = std::upper_bound(names.begin(), names.end(),
                                    at - static_cast<std::int64_t>(name_length));
       name != names.end() && *name < end; ++name) {
    for (std::size_t i = 0; i < name_length; ++i) {
      const std::int64_t place = *name + static_cast<std::int64_t>(i);
      if (place >= at && place < end) bytes[static_cast<std::size_t>(place - at)] = free_space[i];
    }
  }
}

}  // namespace

ReadAt read_at(int seekable_file) {
  return [seekable_file](std::int64_t at, std::span<char> to) {
    std::size_t filled = 0;
    while (filled < to.size()) {
      const ssize_t got = ::pread(seekable_file, to.data() + filled, to.size() - filled,
                                  at + static_cast<std::int64_t>(filled));
      if (got < 0 && errno == EINTR) continue;
      if (got <= 0) break;
      filled += static_cast<std::size_t>(got);
    }
    return filled;
  };
}

ReadAt read_at(std::span<const char> bytes) {
  return [bytes](std::int64_t at, std::span<char> to) {
    const auto size = static_cast<std::int64_t>(bytes.size());
    const auto count = static_cast<std::size_t>(std::clamp<std::int64_t>(
        size - std::clamp<std::int64_t>(at, 0, size), 0, static_cast<std::int64_t>(to.size())));
    if (count > 0) std::memcpy(to.data(), bytes.data() + at, count);
    return count;
  };
}

bool promises_more(std::span<const char> head, std::int64_t file_size) {
  if (head.size() < 8) return false;
  const std::string_view name{head.data(), name_length};
  if (name != "RIFF" && name != "FORM") return false;
  const auto length = head.subspan(4, 4);
  const std::int64_t promised = 8 + (name == "RIFF" ? little_endian(length) : big_endian(length));
  constexpr std::int64_t open_count = 0x7FFF0000;
  return promised < open_count && promised > file_size + 1;
}

// Multimedia Programming Interface and Data Specifications 1.0 (IBM and Microsoft, 1991), "Waveform Audio File
// Format"; from memory.
bool is_plain_wav(const ReadAt& read, std::int64_t file_size) {
  std::array<char, 44> header{};
  if (read(0, header) != header.size()) return false;
  const auto name_at = [&](std::size_t at) { return std::string_view{header.data() + at, name_length}; };
  const auto number_at = [&](std::size_t at, std::size_t bytes) { return little_endian(std::span{header}.subspan(at, bytes)); };
  if (name_at(0) != "RIFF" || name_at(8) != "WAVE" || name_at(12) != "fmt " || name_at(36) != "data") return false;
  constexpr std::int64_t linear = 1;
  const std::int64_t channels = number_at(22, 2);
  const std::int64_t bits = number_at(34, 2);
  const std::int64_t frame = number_at(32, 2);
  const std::int64_t length = number_at(40, 4);
  return number_at(4, 4) == file_size - 8 && number_at(16, 4) == 16 && number_at(20, 2) == linear && channels > 0 &&
         (bits == 16 || bits == 24 || bits == 32) && frame == channels * bits / 8 && length > 0 && length % frame == 0 &&
         length == file_size - static_cast<std::int64_t>(header.size());
}

bool is_caf(std::span<const char> head) {
  return std::string_view{head.data(), head.size()}.starts_with("caff");
}

bool ogg_header_is_oversized(const ReadAt& read) {
  constexpr std::int64_t longest = std::int64_t{16} << 20;
  std::int64_t at = 0;
  std::int64_t packets = 0;
  while (packets <= longest) {
    std::array<char, 27> page{};
    if (read(at, page) != page.size() ||
        !std::string_view{page.data(), page.size()}.starts_with("OggS"))
      return false;
    // The granule position says how far the sound has come; pages that end no packet say -1.
    const auto position = std::span{page}.subspan(6, 8);
    const bool all_ones = std::ranges::all_of(position, [](char byte) { return byte == '\xff'; });
    const bool all_zero = std::ranges::all_of(position, [](char byte) { return byte == 0; });
    if (!all_ones && !all_zero) return false;
    std::array<char, 255> lengths{};
    const auto count = static_cast<std::size_t>(static_cast<unsigned char>(page.back()));
    if (read(at + static_cast<std::int64_t>(page.size()), std::span{lengths}.first(count)) != count)
      return false;
    const std::int64_t body = std::accumulate(
        lengths.begin(), lengths.end(), std::int64_t{0},
        [](std::int64_t sum, char length) { return sum + static_cast<unsigned char>(length); });
    packets += body;
    at += static_cast<std::int64_t>(page.size() + count) + body;
  }
  return true;
}

void hide_in_caf(std::span<char> head) {
  if (is_caf(head)) hide(names_to_hide(read_at(std::span<const char>{head})), head, 0);
}

CafFile::CafFile(Descriptor file)
    : file_{std::move(file)}, hidden_{names_to_hide(read_at(file_.get()))} {}

SF_VIRTUAL_IO* CafFile::callbacks() {
  static SF_VIRTUAL_IO io = {
      [](void* self) -> sf_count_t { return static_cast<CafFile*>(self)->size(); },
      [](sf_count_t offset, int whence, void* self) -> sf_count_t {
        return static_cast<CafFile*>(self)->seek(offset, whence);
      },
      [](void* to, sf_count_t count, void* self) -> sf_count_t {
        return static_cast<CafFile*>(self)->read(
            {static_cast<char*>(to), static_cast<std::size_t>(std::max<sf_count_t>(count, 0))});
      },
      [](const void*, sf_count_t, void*) -> sf_count_t { return 0; },
      [](void* self) -> sf_count_t { return static_cast<CafFile*>(self)->position_; }};
  return &io;
}

sf_count_t CafFile::size() const {
  struct stat status {};
  return ::fstat(file_.get(), &status) == 0 ? status.st_size : 0;
}

sf_count_t CafFile::seek(sf_count_t offset, int whence) {
  const std::int64_t from = whence == SEEK_SET ? 0 : whence == SEEK_CUR ? position_ : size();
  position_ = std::max<std::int64_t>(0, from + offset);
  return position_;
}

sf_count_t CafFile::read(std::span<char> to) {
  const std::size_t got = read_at(file_.get())(position_, to);
  hide(hidden_, to.first(got), position_);
  position_ += static_cast<std::int64_t>(got);
  return static_cast<sf_count_t>(got);
}

}  // namespace pipebeat::audio
