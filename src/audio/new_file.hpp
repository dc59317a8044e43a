// A file that appears whole or not at all.
#pragma once

#include <span>
#include <string>
#include <string_view>

#include "audio/descriptor.hpp"
#include "pipebeat/result.hpp"

namespace pipebeat::audio {

/// What a marked copy says about itself (RIFF INFO, "software"), and at which byte: by it the next
/// one knows what it may replace.
inline constexpr std::string_view marked_copy_tag = "pipebeat marked copy";
inline constexpr std::size_t marked_copy_tag_at = 56;

/// Refuses a target that can't be had again: a recording, by its first bytes, or a job's history.
/// A marked copy that this program wrote can. Errors: bad_argument.
Result<void> spare_originals(const std::string& target);

/// A file being written. What is written goes to a temporary file beside the target; `commit` puts
/// it in the target's place in one step, so that a full disk or a stopped program never leaves half
/// a file, nor takes away an older one. Without `commit` nothing remains.
///
/// A target that is no regular file (a device, a FIFO) is written directly.
class NewFile {
 public:
  /// Errors: those of `spare_originals`; write_failed when the folder is not there or may not be
  /// written; `what` names the target.
  static Result<NewFile> create(const std::string& target);

  NewFile(NewFile&& other) noexcept;
  NewFile& operator=(NewFile&&) = delete;
  ~NewFile();

  /// Appends bytes. Errors: write_failed (disk full, ...).
  Result<void> write(std::span<const char> bytes);
  /// Overwrites bytes at `offset`, which must have been written. Errors: write_failed; also for a
  /// target that can't seek.
  Result<void> write_at(std::int64_t offset, std::span<const char> bytes);
  /// Makes the target appear. Errors: write_failed.
  Result<void> commit();

  /// True when the target can be written again at an earlier place.
  [[nodiscard]] bool seekable() const { return !temporary_.empty(); }

 private:
  NewFile(std::string target, std::string temporary, Descriptor file);
  [[nodiscard]] tl::unexpected<Error> trouble(int number) const;

  std::string target_;
  std::string temporary_;  ///< empty when the target is written directly
  Descriptor file_;
};

/// Writes a whole text by NewFile. Errors: those of NewFile.
Result<void> write_file(const std::string& target, std::string_view text);

}  // namespace pipebeat::audio
