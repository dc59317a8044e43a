#include "audio/cues.hpp"

#include <fcntl.h>
#include <sndfile.h>

#include <algorithm>
#include <array>
#include <memory>
#include <span>

#include "audio/descriptor.hpp"
#include "audio/header_guard.hpp"
#include "audio/library_chatter.hpp"
#include "audio/trial.hpp"

namespace pipebeat::audio {

Result<std::vector<CuePoint>> cue_points(const std::string& path) {
  const Descriptor source{::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NOCTTY)};
  std::array<char, 4> head{};
  if (is_caf(std::span{head}.first(read_at(source.get())(0, head)))) return {};
  SF_INFO info{};
  const LibraryCall quiet;
  const auto open = [&] { return sf_open(path.c_str(), SFM_READ, &info); };
  const std::unique_ptr<SNDFILE, int (*)(SNDFILE*)> file{comes_back(open) ? open() : nullptr,
                                                         sf_close};
  if (!file) {
    return fail(ErrorCode::unreadable,
                path + ": its cue points could not be read (" + sf_strerror(nullptr) + ")",
                "give the marks with --marks 10:1,20:on,30:3");
  }
  std::uint32_t count = 0;
  if (sf_command(file.get(), SFC_GET_CUE_COUNT, &count, sizeof count) == SF_FALSE || count == 0)
    return {};
  // The library fills at most 100 points of the plain structure.
  auto cues = std::make_unique<SF_CUES>();
  if (sf_command(file.get(), SFC_GET_CUE, cues.get(), sizeof(SF_CUES)) == SF_FALSE) return {};
  count = std::min<std::uint32_t>(cues->cue_count, 100);
  std::vector<CuePoint> points;
  for (std::uint32_t i = 0; i < count; ++i) {
    const SF_CUE_POINT& cue = cues->cue_points[i];
    const auto* end = std::find(std::begin(cue.name), std::end(cue.name), '\0');
    points.push_back({Seconds{static_cast<double>(cue.sample_offset) / info.samplerate},
                      std::string{std::begin(cue.name), end}});
  }
  std::stable_sort(points.begin(), points.end(),
                   [](const CuePoint& a, const CuePoint& b) { return a.at < b.at; });
  return points;
}

}  // namespace pipebeat::audio
