#include "audio/new_file.hpp"

#include <fcntl.h>
#include <sys/stat.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <utility>

#include "audio/decoder.hpp"

namespace pipebeat::audio {

namespace {

tl::unexpected<Error> write_trouble(const std::string& target, int number) {
  return fail(ErrorCode::write_failed, target + ": can't be written: " + std::strerror(number),
              "check the folder's name and permissions, and that the disk is not full");
}

bool is_recording(std::string_view head) {
  const auto byte = [&](std::size_t i) {
    return i < head.size() ? static_cast<unsigned char>(head[i]) : 0U;
  };
  // MPEG audio: eleven sync bits, then layer III or II; a UTF-16 text starts with other bits.
  const bool mpeg = byte(0) == 0xFF && (byte(1) & 0xE0U) == 0xE0U &&
                    ((byte(1) & 0x06U) == 0x02U || (byte(1) & 0x06U) == 0x04U);
  constexpr std::array<std::string_view, 9> containers{"RIFF", "RF64", "riff", "fLaC", "OggS",
                                                       "FORM", "caff", ".snd", "ID3"};
  return mpeg || needs_decoder(head) ||
         std::any_of(containers.begin(), containers.end(),
                     [&](std::string_view start) { return head.starts_with(start); });
}

}  // namespace

Result<void> spare_originals(const std::string& target) {
  struct stat status {};
  if (::stat(target.c_str(), &status) != 0 || !S_ISREG(status.st_mode)) return {};
  const Descriptor file{::open(target.c_str(), O_RDONLY | O_CLOEXEC | O_NOCTTY)};
  std::array<char, marked_copy_tag_at + marked_copy_tag.size()> head{};
  const ssize_t got = file ? ::read(file.get(), head.data(), head.size()) : 0;
  const std::string_view start{head.data(), static_cast<std::size_t>(std::max<ssize_t>(got, 0))};
  const bool ours = start.size() == head.size() && start.ends_with(marked_copy_tag);
  if (start.find("\"pipebeat.job/") != start.npos) {
    return fail(ErrorCode::bad_argument, target + ": that is a job's history", "give another name");
  }
  if (ours || !is_recording(start)) return {};
  return fail(ErrorCode::bad_argument, target + ": there is a recording of that name already",
              "give another name; of recordings only marked copies made by pipebeat are replaced");
}

NewFile::NewFile(std::string target, std::string temporary, Descriptor file)
    : target_{std::move(target)}, temporary_{std::move(temporary)}, file_{std::move(file)} {}

NewFile::NewFile(NewFile&& other) noexcept
    : target_{std::move(other.target_)},
      temporary_{std::exchange(other.temporary_, {})},
      file_{std::move(other.file_)} {}

NewFile::~NewFile() {
  if (!temporary_.empty()) ::unlink(temporary_.c_str());
}

tl::unexpected<Error> NewFile::trouble(int number) const { return write_trouble(target_, number); }

Result<NewFile> NewFile::create(const std::string& target) {
  if (auto spared = spare_originals(target); !spared) return tl::unexpected(spared.error());
  struct stat status {};
  const bool there = ::stat(target.c_str(), &status) == 0;
  if (there && S_ISDIR(status.st_mode)) {
    return fail(ErrorCode::write_failed, target + ": it is a folder",
                "name a file in it, for example " + target + "/out");
  }
  if (there && !S_ISREG(status.st_mode)) {
    Descriptor file{::open(target.c_str(), O_WRONLY | O_CLOEXEC)};
    if (!file) return write_trouble(target, errno);
    return NewFile{target, {}, std::move(file)};
  }
  // Through a symbolic link the file it points to is replaced, not the link.
  std::string place = target;
  if (char* real = ::realpath(target.c_str(), nullptr)) {
    place = real;
    std::free(real);
  }
  if (there && ::access(place.c_str(), W_OK) != 0) return write_trouble(target, errno);
  std::string temporary = place + ".XXXXXX";
  Descriptor file{::mkostemp(temporary.data(), O_CLOEXEC)};
  if (!file) return write_trouble(target, errno);
  // mkostemp makes files for their owner alone; this one is to be like any other.
  const mode_t mask = ::umask(0);
  ::umask(mask);
  ::fchmod(file.get(), there ? status.st_mode & 07777u : 0666u & ~mask);
  return NewFile{std::move(place), std::move(temporary), std::move(file)};
}

Result<void> NewFile::write(std::span<const char> bytes) {
  while (!bytes.empty()) {
    const ssize_t put = ::write(file_.get(), bytes.data(), bytes.size());
    if (put < 0 && errno == EINTR) continue;
    if (put <= 0) return trouble(put < 0 ? errno : ENOSPC);
    bytes = bytes.subspan(static_cast<std::size_t>(put));
  }
  return {};
}

Result<void> NewFile::write_at(std::int64_t offset, std::span<const char> bytes) {
  while (!bytes.empty()) {
    const ssize_t put = ::pwrite(file_.get(), bytes.data(), bytes.size(), offset);
    if (put < 0 && errno == EINTR) continue;
    if (put <= 0) return trouble(put < 0 ? errno : ENOSPC);
    offset += put;
    bytes = bytes.subspan(static_cast<std::size_t>(put));
  }
  return {};
}

Result<void> NewFile::commit() {
  if (!temporary_.empty() && ::fsync(file_.get()) != 0) return trouble(errno);
  if (::close(file_.release()) != 0) return trouble(errno);
  if (temporary_.empty()) return {};
  if (::rename(temporary_.c_str(), target_.c_str()) != 0) return trouble(errno);
  temporary_.clear();
  return {};
}

Result<void> write_file(const std::string& target, std::string_view text) {
  auto file = NewFile::create(target);
  if (!file) return tl::unexpected(file.error());
  if (auto written = file->write(text); !written) return written;
  return file->commit();
}

}  // namespace pipebeat::audio
