// What headers claim, looked at before libsndfile sees them, because it would believe it.
#pragma once

#include <sndfile.h>

#include <cstdint>
#include <functional>
#include <span>
#include <vector>

#include "audio/descriptor.hpp"

namespace pipebeat::audio {

/// Copies bytes from a place of a recording into `to`; how many there were.
using ReadAt = std::function<std::size_t(std::int64_t at, std::span<char> to)>;

[[nodiscard]] ReadAt read_at(int seekable_file);
[[nodiscard]] ReadAt read_at(std::span<const char> bytes);

[[nodiscard]] bool is_caf(std::span<const char> head);

/// True when a WAV or AIFF counts more bytes than the file has. Programs that write into pipes
/// leave the count open: zero, or close to what 31 or 32 bits can hold.
[[nodiscard]] bool promises_more(std::span<const char> head, std::int64_t file_size);

/// True for a WAV of a format and linear samples and nothing else, both as long as they say and the file ending with
/// them: 44 bytes of header in which no parser can go astray.
[[nodiscard]] bool is_plain_wav(const ReadAt& read, std::int64_t file_size);

/// True when the packets that an Ogg file starts with (titles, pictures) are longer than 16 MiB.
/// libogg gathers a packet in memory before anybody may look at it.
[[nodiscard]] bool ogg_header_is_oversized(const ReadAt& read);

/// Names the chunks of a CAF file that libsndfile reads into memory whole as free space, in place:
/// its titles, whatever length they claim, and packet tables longer than a recording needs.
void hide_in_caf(std::span<char> head);

/// A CAF file with the same chunks hidden, for sf_open_virtual.
class CafFile {
 public:
  explicit CafFile(Descriptor file);

  /// The user data is the CafFile.
  [[nodiscard]] static SF_VIRTUAL_IO* callbacks();

 private:
  sf_count_t seek(sf_count_t offset, int whence);
  sf_count_t read(std::span<char> to);
  [[nodiscard]] sf_count_t size() const;

  Descriptor file_;
  std::int64_t position_ = 0;
  std::vector<std::int64_t> hidden_;  ///< places of chunk names, rising
};

}  // namespace pipebeat::audio
