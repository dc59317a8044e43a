// Files as the job folder needs them: read whole, written whole or not at all, one writer at a
// time.
#pragma once

#include <string>
#include <string_view>

#include "pipebeat/result.hpp"

namespace pipebeat::job {

/// A file descriptor that closes itself.
class Descriptor {
 public:
  explicit Descriptor(int fd) : fd_{fd} {}
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  Descriptor(Descriptor&& other) noexcept;
  Descriptor& operator=(Descriptor&&) = delete;
  ~Descriptor();
  [[nodiscard]] int get() const { return fd_; }

 private:
  int fd_;
};

/// The error that errno stands for: not_found, no_permission or write_failed.
[[nodiscard]] tl::unexpected<Error> system_failure(const std::string& path, std::string_view doing);

/// A name inside a folder.
[[nodiscard]] std::string path_in(const std::string& folder, std::string_view name);

/// The longest text that is read, and so the longest that may be written: 4 MiB, thousands of
/// readings.
constexpr std::size_t longest_text = std::size_t{4} << 20;

/// A plain file of at most longest_text. Errors: not_found, no_permission, unreadable.
Result<std::string> read_file(const std::string& path);

/// True when two plain files can be read and hold the same bytes.
[[nodiscard]] bool same_content(const std::string& one, const std::string& other);

/// What to do with a file that is there.
enum class Existing { replace, refuse };

/// Writes a file whole or not at all: beside the old one, synced, then renamed, and the folder
/// synced. Errors: write_failed, no_permission; write_failed when it is there and must not be, or
/// the content is longer than longest_text.
Result<void> write_file(const std::string& path, std::string_view content, Existing existing);

/// Copies a plain file of any length in the same way, under a name that must be free.
/// Errors: those of write_file, and those of opening the source.
Result<void> copy_file(const std::string& source, const std::string& path);

/// The folder, locked against other writers as long as the descriptor lives.
/// Errors: not_found, no_permission; device when another process holds it for longer than 10 s.
Result<Descriptor> lock_folder(const std::string& folder);

}  // namespace pipebeat::job
